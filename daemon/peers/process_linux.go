package main

import (
	"os/exec"
	"syscall"
)

// dieWithParent has the kernel kill a server if this process is killed. The signal counts for the thread that started it,
// which the Go runtime keeps as long as no goroutine that locked it ends.
func dieWithParent(cmd *exec.Cmd) { attributes(cmd).Pdeathsig = syscall.SIGKILL }

func runAs(cmd *exec.Cmd, uid, gid int) {
	attributes(cmd).Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
}

func attributes(cmd *exec.Cmd) *syscall.SysProcAttr {
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	return cmd.SysProcAttr
}
