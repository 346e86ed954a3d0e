package web

// UndoFor is how long the page offers to take back what was done.
const UndoFor = undoFor

// Hurry has servers wait a fifth as long for a client's headers, and a third as long for all of its request: still as long
// that the one is told from the other.
func Hurry() { headerTimeout, requestTimeout = headerTimeout/5, requestTimeout/3 }
