// Package apitest compares what servers answer that stand on different stores. It is for tests: each server is told the same, on the
// same clock and with the same ids and secrets, so every answer must be the same to the byte.
package apitest
