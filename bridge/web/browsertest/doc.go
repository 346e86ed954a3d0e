// Package browsertest drives the page in a real browser, on a running daemon with simulated chambers. It holds nothing but
// tests; without Chromium they are skipped, unless GILLKEEPER_REQUIRE names chromium.
//
// It must never be imported. Start reading at TestActions.
package browsertest
