//go:build unix

package journal

import (
	"os"
	"syscall"
)

// lockFile takes the file for this journal alone until it is closed, also against others of the same process. The
// system gives it back when the process ends in any way.
func lockFile(f *os.File) error {
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
}

// syncFolder makes new and renamed files of the folder survive a power cut.
func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
