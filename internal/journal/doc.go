// Package journal keeps journals: clinic.Journal says what for.
package journal
