package main

// serverFlags says which daemon to ask, and as whom.
type serverFlags struct {
	url       string
	tokenFile string
}
