//go:build unix

package app

import "syscall"

// maxFiles is how many files the process may have open at one time; 0: not known.
func maxFiles() int {
	var limit syscall.Rlimit
	if syscall.Getrlimit(syscall.RLIMIT_NOFILE, &limit) != nil {
		return 0
	}
	return int(min(uint64(limit.Cur), 1<<20))
}
