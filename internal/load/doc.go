// Package load calls a server as many families, clinicians and schedulers at once would, and notes how it answers. It is bounded in
// count and time, waits where the server asks it to, and remembers what was acknowledged, so that it can look for it afterwards.
//
// What a caller costs is kept low, since it takes turns with the server on the same machine: what is handed in is written before it
// is sent, and of the answers only that is read which is needed to go on.
package load
