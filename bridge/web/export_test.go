package web

// UndoFor is how long the page offers to take back what was done.
const UndoFor = undoFor

// Hurry has servers wait a fifth as long for a client.
func Hurry() { headerTimeout, requestTimeout = headerTimeout/5, requestTimeout/5 }
