package journal

// Frame returns the line of a record.
func Frame(encoded []byte) []byte { return frame(encoded) }
