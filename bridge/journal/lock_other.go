//go:build !unix

package journal

import "os"

// lockFile does nothing where there are no advisory locks: do not start two daemons on one file there.
func lockFile(*os.File) error { return nil }

// syncFolder does nothing where folders cannot be synced.
func syncFolder(string) error { return nil }
