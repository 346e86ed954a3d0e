//go:build linux || darwin

package config

import (
	"errors"
	"io/fs"
	"syscall"
)

// mayWrite says what keeps this user from writing at a path, or nil, without trying it: check changes nothing.
func mayWrite(path string) error {
	const wish = 2 // W_OK of access(2)
	if err := syscall.Access(path, wish); errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) {
		return err
	}
	return nil
}
