package main

import (
	"unsafe"

	"golang.org/x/sys/windows"
)

// thisDesktop is alone when no other program, no shell, is at its console.
var thisDesktop = desktop{
	alone: func() bool {
		var ids [2]uint32
		n, _, _ := windows.NewLazySystemDLL("kernel32.dll").NewProc("GetConsoleProcessList").Call(
			uintptr(unsafe.Pointer(&ids[0])), uintptr(len(ids)))
		return n == 1
	},
	documents: func() (string, error) { return windows.KnownFolderPath(windows.FOLDERID_Documents, 0) },
	show: func(address string) error {
		verb, err := windows.UTF16PtrFromString("open")
		if err != nil {
			return err
		}
		what, err := windows.UTF16PtrFromString(address)
		if err != nil {
			return err
		}
		return windows.ShellExecute(0, verb, what, nil, nil, windows.SW_SHOWNORMAL)
	},
}
