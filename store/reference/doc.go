// Package reference measures the store beside a general time-series engine, on the same generated day. It is a module
// of its own, so that the program does not depend on that engine.
package reference
