//go:build !unix

package app

// maxFiles is how many files the process may have open at one time; 0: not known.
func maxFiles() int { return 0 }
