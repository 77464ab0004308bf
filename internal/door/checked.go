package door

import "bytes"

// What is read here is JSON whose syntax has been checked, so that it can be taken apart without looking at it closely.

// isWhite reports whether an octet is white space between tokens (RFC 8259, section 2).
func isWhite(c byte) bool { return c == ' ' || c == '\t' || c == '\n' || c == '\r' }

// skip returns raw from where a value begins, or the end of what holds it.
func skip(raw []byte) []byte {
	for len(raw) > 0 && (isWhite(raw[0]) || raw[0] == ',' || raw[0] == ':') {
		raw = raw[1:]
	}
	return raw
}

// cutValue cuts the first value off raw, which it begins. What is left begins with the next one, or ends what holds both.
func cutValue(raw []byte) (value, rest []byte) {
	n := valueLength(raw)
	return raw[:n], skip(raw[n:])
}

// isEnd reports whether raw begins with the end of an array or object.
func isEnd(raw []byte) bool { return raw[0] == ']' || raw[0] == '}' }

// valueLength returns the length of the value that begins raw.
func valueLength(raw []byte) int {
	switch raw[0] {
	case '"':
		return stringLength(raw)
	case '{', '[':
		return bracketsLength(raw)
	}
	n := 1
	for n < len(raw) && !isWhite(raw[n]) && raw[n] != ',' && !isEnd(raw[n:]) {
		n++
	}
	return n
}

// bracketsLength returns the length of the array or object that begins raw.
func bracketsLength(raw []byte) int {
	depth := 0
	for n := 0; n < len(raw); n++ {
		switch raw[n] {
		case '"':
			n += stringLength(raw[n:]) - 1
		case '{', '[':
			depth++
		case '}', ']':
			if depth--; depth == 0 {
				return n + 1
			}
		}
	}
	return len(raw)
}

// stringLength returns the length of the JSON string that begins raw, with its quotes. Of one that breaks off it is all there is.
func stringLength(raw []byte) int {
	if n := 1 + bytes.IndexByte(raw[1:], '"'); n > 0 && raw[n-1] != '\\' {
		return n + 1 // the first quote ends it, as nearly always
	}
	for n := 1; n < len(raw); n++ {
		switch raw[n] {
		case '\\':
			n++
		case '"':
			return n + 1
		}
	}
	return len(raw)
}

// eachMember hands over the members of an object, as they stand there.
func eachMember(object []byte, put func(name, value []byte)) {
	for rest := skip(object[1:]); !isEnd(rest); {
		var name, value []byte
		name, rest = cutValue(rest)
		value, rest = cutValue(rest)
		put(name, value)
	}
}

// Elements returns the first elements of an array whose syntax has been checked, at most so many, as they stand there.
func Elements(array []byte, most int) [][]byte {
	var elements [][]byte
	for rest := skip(array[1:]); !isEnd(rest) && len(elements) < most; {
		var element []byte
		element, rest = cutValue(rest)
		elements = append(elements, element)
	}
	return elements
}
