//go:build race

package journal

// raced says that the race detector is on: SQLite is ten times slower under it, so tests that only repeat or measure do
// less. Without it they do all.
const raced = true
