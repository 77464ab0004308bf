package door

import (
	"bytes"
	"slices"
	"unicode/utf8"
)

// What phones write is nearly always plain: no escapes, numbers as JavaScript writes them. Its canonical form (RFC 8785) is then what
// stands there, the members sorted, which takes a fraction of what [Canonical] does.

// appendPlain appends the canonical form of JSON whose syntax has been checked. It reports false, and has appended anything, where
// that is not plain; the one form is the same as the other where both are there.
func appendPlain(to, value []byte) (canonical []byte, plain bool) {
	switch value[0] {
	case '{':
		return appendPlainObject(to, value)
	case '[':
		return appendPlainArray(to, value)
	case '"':
		return append(to, value...), bytes.IndexByte(value, '\\') < 0 && utf8.Valid(value)
	case 't', 'f', 'n':
		return append(to, value...), true
	}
	return append(to, value...), isPlainNumber(value)
}

// isPlainNumber reports whether a number stands as it is written canonically: whole or with few decimals, the last no zero.
func isPlainNumber(number []byte) bool {
	const exact = 15 // digits that a double holds whatever they are
	whole, decimals, fraction := bytes.Cut(number, []byte("."))
	for _, c := range decimals {
		if c < '0' || c > '9' { // an exponent
			return false
		}
	}
	switch {
	case len(number) > exact || bytes.ContainsAny(whole, "-eE"):
		return false
	case fraction:
		// The smallest are written with an exponent, from seven zeros on.
		return decimals[len(decimals)-1] != '0' && len(decimals) <= 6
	}
	return true
}

func appendPlainArray(to, array []byte) (canonical []byte, plain bool) {
	to = append(to, '[')
	var item []byte
	for rest := skip(array[1:]); !isEnd(rest); {
		if to[len(to)-1] != '[' {
			to = append(to, ',')
		}
		item, rest = cutValue(rest)
		if to, plain = appendPlain(to, item); !plain {
			return to, false
		}
	}
	return append(to, ']'), true
}

// member is a member of an object as it stands there, its name in quotes.
type member struct{ name, value []byte }

func appendPlainObject(to, object []byte) (canonical []byte, plain bool) {
	var room [maxMembers]member
	members := room[:0]
	eachMember(object, func(name, value []byte) {
		members = append(members, member{name, value})
	})
	slices.SortFunc(members, func(a, b member) int { return bytes.Compare(a.name, b.name) })
	to = append(to, '{')
	for i, m := range members {
		if !isPlainName(m.name) || (i > 0 && bytes.Equal(m.name, members[i-1].name)) {
			return to, false
		}
		if i > 0 {
			to = append(to, ',')
		}
		to = append(append(to, m.name...), ':')
		if to, plain = appendPlain(to, m.value); !plain {
			return to, false
		}
	}
	return append(to, '}'), true
}

// isPlainName reports whether a name, in its quotes, is of letters that are sorted alike with the quotes and without.
func isPlainName(quoted []byte) bool {
	for _, c := range quoted[1 : len(quoted)-1] {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && c != '_' {
			return false
		}
	}
	return true
}
