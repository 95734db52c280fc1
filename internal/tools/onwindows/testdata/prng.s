# bcryptprimitives.dll for a wine that lacks it: ProcessPrng fills a buffer with random bytes, as
# SystemFunction036 (RtlGenRandom) of advapi32.dll does. Both take a pointer and a length; one returns BOOL,
# the other BOOLEAN.
	.text
	.globl	ProcessPrng
ProcessPrng:
	subq	$40, %rsp
	call	SystemFunction036
	movzbl	%al, %eax
	addq	$40, %rsp
	ret

	.globl	DllMainCRTStartup
DllMainCRTStartup:
	movl	$1, %eax
	ret
