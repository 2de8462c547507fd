package redistest

import "syscall"

// diesWithUs makes a server end when the test's process does, even one that ends without cleaning
// up. The thread that starts it must live as long as the server.
func diesWithUs() *syscall.SysProcAttr { return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }
