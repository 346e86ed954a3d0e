package web

// UndoFor is how long the page offers to take back what was done.
const UndoFor = undoFor
