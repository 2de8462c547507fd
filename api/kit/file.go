package kit

import (
	"fmt"
	"os"
)

// ReadFile reads a regular file of at most so many bytes.
func ReadFile(name string, most int64) ([]byte, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if info.Size() > most || !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no file of at most %d bytes", name, most)
	}
	return os.ReadFile(name)
}
