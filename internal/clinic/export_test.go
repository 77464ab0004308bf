package clinic

// KnownOperations returns every operation that the table of rights names.
func KnownOperations() []Operation {
	all := open()
	for operation := range rights() {
		all = append(all, operation)
	}
	return all
}
