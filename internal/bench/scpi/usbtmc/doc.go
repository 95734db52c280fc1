// Package usbtmc is the transport of the USB Test and Measurement Class (USB-IF, "USBTMC
// Specification" 1.0, with the subclass USB488 1.0) through the Linux kernel's usbtmc driver: a
// character device that is written to, read from and told the rest by ioctl. The driver puts the
// class's headers round the bytes (its bTag tells an answer from an earlier one); what is left here
// is when to abort and when to clear. It makes a framed scpi.Port: the driver ends a read where the
// device sets EOM.
//
// A device keeps its output over a close of the file. A Port that failed therefore aborts the
// transfer under way and clears the interface (USBTMC 1.0, 4.2.1.2 INITIATE_ABORT_BULK_OUT,
// 4.2.1.4 INITIATE_ABORT_BULK_IN, 4.2.1.6 INITIATE_CLEAR) before it closes, and Dial clears again,
// so that a late answer has nothing to arrive on.
//
// Built for Linux only. It has been run against a stand-in for file and ioctl, never against an
// instrument.
package usbtmc
