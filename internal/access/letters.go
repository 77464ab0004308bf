package access

import (
	"fmt"
	"io"
	"strings"
)

// letters is Crockford's base 32: no I, L, O, which are read as 1, 1, 0, and no U. A letter is five bits.
const letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// newLetters makes a code of n letters from random.
func newLetters(random io.Reader, n int) (string, error) {
	raw := make([]byte, (n*5+7)/8)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", err
	}
	return lettersOf(raw, n), nil
}

// lettersOf writes the first bits of raw as n letters.
func lettersOf(raw []byte, n int) string {
	code := make([]byte, n)
	for i := range code {
		code[i] = letters[fiveBits(raw, i)]
	}
	return string(code)
}

// fiveBits returns the i-th run of five bits of raw.
func fiveBits(raw []byte, i int) int {
	bit := i * 5
	pair := int(raw[bit/8]) << 8
	if bit/8+1 < len(raw) {
		pair |= int(raw[bit/8+1])
	}
	return pair >> (11 - bit%8) & 31
}

// grouped divides a code by dashes into groups, to be read aloud or typed; a last letter that is left over joins its group.
func grouped(code string, group int) string {
	var b strings.Builder
	for i := range len(code) {
		if i > 0 && i%group == 0 && i < len(code)-1 {
			b.WriteByte('-')
		}
		b.WriteByte(code[i])
	}
	return b.String()
}

// normalLetters brings a code as somebody typed it to the form that is hashed: n letters, upper case, without spaces or dashes,
// look-alike letters read as digits. False where it can't be such a code.
func normalLetters(typed string, n int) (string, bool) {
	code := strings.NewReplacer("-", "", " ", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(typed))
	foreign := func(r rune) bool { return !strings.ContainsRune(letters, r) }
	return code, len(code) == n && !strings.ContainsFunc(code, foreign)
}

func errRandom(of string, err error) error { return fmt.Errorf("make %s: %w", of, err) }
