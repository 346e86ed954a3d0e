// Package smalldisk gives tests a disk that they can fill.
//
// It must be imported by nothing but tests. Start reading at [Mount].
package smalldisk

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// Mount gives a folder that is a file system of its own, of the given size such as 1m, until the test ends. By then every
// file on it must be closed. Where none can be mounted, the test is skipped.
func Mount(t *testing.T, size string) (folder string) {
	t.Helper()
	folder = t.TempDir()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("cannot mount a small disk, which takes root: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(folder, 0); err != nil {
			t.Errorf("something is still open on the small disk: %v", err)
			if err := syscall.Unmount(folder, syscall.MNT_DETACH); err != nil {
				t.Error(err)
			}
		}
	})
	return folder
}

// Fill takes all room that is left in the folder, and again what was freed since, and gives the file that takes it.
func Fill(t *testing.T, folder string) (path string) {
	t.Helper()
	path = filepath.Join(folder, "filler")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	for block := make([]byte, 4096); err == nil; {
		_, err = f.Write(block)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}
