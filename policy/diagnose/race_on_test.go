//go:build race

package diagnose_test

const raced = true
