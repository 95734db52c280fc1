package program

import (
	"os/exec"
	"unsafe"

	"golang.org/x/sys/windows"
)

// family is a command and everything that it started: a job object.
type family struct {
	job windows.Handle
	cmd *exec.Cmd
}

// startFamily starts a command in a job object that ends with its last handle, and so with this program too.
func startFamily(cmd *exec.Cmd) (family, error) {
	job, err := windows.CreateJobObject(nil, nil)
	if err != nil {
		return family{}, err
	}
	limits := windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION{
		BasicLimitInformation: windows.JOBOBJECT_BASIC_LIMIT_INFORMATION{
			LimitFlags: windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE}}
	err = setInformation(job, windows.JobObjectExtendedLimitInformation,
		uintptr(unsafe.Pointer(&limits)), uint32(unsafe.Sizeof(limits)))
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		windows.CloseHandle(job)
		return family{}, err
	}
	child, err := windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE, false,
		uint32(cmd.Process.Pid))
	if err == nil {
		err = windows.AssignProcessToJobObject(job, child)
		windows.CloseHandle(child)
	}
	if err != nil {
		cmd.Process.Kill()
		cmd.Wait()
		windows.CloseHandle(job)
		return family{}, err
	}
	return family{job, cmd}, nil
}

// setInformation keeps what a pointer that was turned into a number points to where it is, which the function of the
// library does not.
//
//go:uintptrescapes
func setInformation(job windows.Handle, class uint32, information uintptr, size uint32) error {
	_, err := windows.SetInformationJobObject(job, class, information, size)
	return err
}

// kill ends them all.
func (f family) kill() { windows.TerminateJobObject(f.job, 1) }
