// Package clinic holds the use cases: what a device, a clinician and a program may ask for, and who may ask for it. It
// decides nothing of the trade itself (package practice does) and knows neither HTTP nor SQL: it works over the [Store]
// that it defines.
package clinic
