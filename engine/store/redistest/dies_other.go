//go:build !linux

package redistest

import "syscall"

func diesWithUs() *syscall.SysProcAttr { return nil }
