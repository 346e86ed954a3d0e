//go:build linux || darwin

package config

import (
	"errors"
	"io/fs"
	"syscall"
)

// mayWrite reports whether this user may write at a path, without trying it: check changes nothing.
func mayWrite(path string) bool {
	const wish = 2 // W_OK of access(2)
	err := syscall.Access(path, wish)
	return !errors.Is(err, fs.ErrPermission) && !errors.Is(err, syscall.EROFS)
}
