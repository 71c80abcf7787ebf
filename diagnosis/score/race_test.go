//go:build race

package score_test

// racing: the race detector makes everything some ten times slower.
const racing = true
