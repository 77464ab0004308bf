package access_test

import "testing"

// BenchmarkSeal seals as much as the stamp of an entry is sealed with.
func BenchmarkSeal(b *testing.B) {
	keys := fixedKeys(b)
	id, content := make([]byte, 16), make([]byte, 32)
	b.ReportAllocs()
	for b.Loop() {
		keys.Seal("stamp", id, id[:1], id, id, content, id)
	}
}
