package clinic

// KnownOperations returns every operation that the table of rights names.
func KnownOperations() []Operation {
	all := open()
	for operation := range rights() {
		all = append(all, operation)
	}
	return all
}

// Chained returns the hash chained up to an entry.
func Chained(before [32]byte, e *StoredEntry) [32]byte { return chained(before, e) }
