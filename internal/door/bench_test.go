package door

import (
	"testing"

	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

// benchmarked are the entries that a household writes most, and one to mend.
func benchmarked() map[string][]byte {
	return map[string][]byte{
		"try":     []byte(entryOf(practice.KindTry, bodies[practice.KindTry])),
		"session": []byte(entryOf(practice.KindSession, bodies[practice.KindSession])),
		"flawed":  []byte(entryOf(practice.KindTry, bodies[practice.KindExcuse])),
	}
}

func BenchmarkExamine(b *testing.B) {
	for name, raw := range benchmarked() {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Examine(raw, 1, practice.Caregiver)
			}
		})
	}
}

func BenchmarkReread(b *testing.B) {
	for name, raw := range benchmarked() {
		sent := Examine(raw, 1, practice.Caregiver).Sent
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Reread(sent, 1, practice.Caregiver)
			}
		})
	}
}

func TestRereadAllocatesLittle(t *testing.T) {
	sent := benchmarked()["try"]
	const few = 8
	require.LessOrEqual(t, testing.AllocsPerRun(100, func() { Reread(sent, 1, practice.Caregiver) }), float64(few))
}
