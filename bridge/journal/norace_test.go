//go:build !race

package journal

const raced = false
