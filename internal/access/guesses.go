package access

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"math"
	"regexp"
	"slices"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/trustelem/zxcvbn"
	"github.com/trustelem/zxcvbn/frequency"
	"golang.org/x/text/unicode/norm"
)

// minGuesses is how many guesses a good guesser must need for a password, as a power of ten: 10^10, from which on the estimator
// gives its highest score (its method: D. L. Wheeler, "zxcvbn: Low-Budget Password Strength Estimation", USENIX Security 2016).
// Who has stolen the database, and can try 10,000 hashes of 19 MiB a second (see DefaultPasswordCost), is busy for eleven days
// with the weakest account; at the sign-in itself nobody gets anywhere near.
const minGuesses = 10

// judgedRunes bounds how much of a password is estimated, since the time for it grows with the cube of the length. Whoever
// begins with that many characters that are easy to guess is told so, whatever follows.
const judgedRunes = 48

// The estimator has put its words in order by the time that a package which imports it begins, and reads the lists that it had them
// from no more. Nobody else wants them, and they would stay in the memory of every process.
func init() { clear(frequency.FrequencyLists) }

// easyToGuess tells whether somebody who knows the words that concern an account, in lower case, would soon hit upon the
// password, in lower case too.
func easyToGuess(folded string, known []string) bool {
	if breached(folded) || famous(folded) {
		return true
	}
	core, cost := reduced(folded, known)
	return breached(core) || guesses(folded, known) < minGuesses || cost+guesses(core, known) < minGuesses
}

// guesses estimates how many guesses something takes, as a power of ten.
func guesses(text string, known []string) float64 {
	text = ascii(text)
	if text = text[:min(len(text), judgedRunes)]; text == "" {
		return 0
	}
	words := make([]string, 0, len(known))
	for _, word := range known {
		words = append(words, ascii(word))
	}
	return math.Log10(zxcvbn.PasswordStrength(text, words).Guesses)
}

// ascii takes accents off letters, and puts one sign of ASCII in the place of each character that is still of another script. The
// estimator knows no words in other scripts and miscounts them: it takes some for nothing at all.
func ascii(text string) string {
	const first, signs = '!', '~' - '!' + 1
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.Is(unicode.Mn, r):
			return -1
		case r > unicode.MaxASCII:
			return first + r%signs
		}
		return r
	}, norm.NFKD.String(text))
}

// What the pieces cost to guess that reduced takes out, as powers of ten.
const (
	yearCost  = 2 // one of some hundred years; the estimator knows none after 2019
	knownCost = 1 // one of a handful of words, in a handful of ways
	runCost   = 1 // how often a character stands there
	signCost  = 1 // with which sign words are divided
)

var aYear = regexp.MustCompile(`(19|20)\d\d`)

// reduced takes out what adds little for somebody who knows whose password it is: the words that concern the account, years,
// signs between words, runs of one character and repetitions of the whole. It returns what is left and what the rest costs to guess, as a power of
// ten.
func reduced(text string, known []string) (core string, cost float64) {
	take := func(count, each float64) { cost += count * each }
	for _, word := range known {
		take(float64(strings.Count(text, word)), knownCost)
		text = strings.ReplaceAll(text, word, "")
	}
	take(float64(len(aYear.FindAllStringIndex(text, -1))), yearCost)
	text = aYear.ReplaceAllString(text, "")
	letters, signs := undivided([]rune(text))
	take(float64(signs), signCost)
	letters, runs := withoutRuns(letters)
	take(float64(runs), runCost)
	unit := letters[:period(letters)]
	if len(unit) > 0 {
		take(1, math.Log10(float64(len(letters))/float64(len(unit))))
	}
	return string(unit), cost
}

// undivided takes out each sign or blank that stands alone between letters or digits, and counts how many kinds of them there
// were.
func undivided(text []rune) (out []rune, kinds int) {
	seen := map[rune]bool{}
	for i, r := range text {
		if i > 0 && i < len(text)-1 && !inWord(r) && inWord(text[i-1]) && inWord(text[i+1]) {
			seen[r] = true
			continue
		}
		out = append(out, r)
	}
	return out, len(seen)
}

func inWord(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }

// withoutRuns leaves one of each character that stands three times or more in a row, and counts the rows.
func withoutRuns(text []rune) (out []rune, runs int) {
	for len(text) > 0 {
		run := slices.IndexFunc(text, func(r rune) bool { return r != text[0] })
		if run < 0 {
			run = len(text)
		}
		if run > 2 {
			runs++
			out = append(out, text[0])
		} else {
			out = append(out, text[:run]...)
		}
		text = text[run:]
	}
	return out, runs
}

// period returns after how many characters a text begins anew, to its end; its length if it does not.
func period(text []rune) int {
	for n := 1; n <= len(text)/2; n++ {
		if slices.Equal(text[n:], text[:len(text)-n]) {
			return n
		}
	}
	return len(text)
}

// knownWords returns the words in lower case that somebody who knows the account tries first, the longest first: each text, each
// word of it with at least three characters, and its words without what divides them.
func knownWords(texts ...string) []string {
	var words []string
	for _, text := range texts {
		folded := fold(text)
		parts := strings.FieldsFunc(folded, func(r rune) bool { return !inWord(r) })
		words = append(words, append(parts, folded, strings.Join(parts, ""))...)
	}
	words = slices.DeleteFunc(words, func(w string) bool { return utf8.RuneCountInString(w) < 3 })
	slices.SortFunc(words, func(a, b string) int {
		if len(a) != len(b) {
			return len(b) - len(a)
		}
		return strings.Compare(a, b)
	})
	return slices.Compact(words)
}

func fold(text string) string { return strings.ToLower(strings.TrimSpace(norm.NFKC.String(text))) }

// famous tells whether a text is known for being somebody's password or for being typed to fill a page, however its words are
// divided. The estimator takes them for several words of no account.
func famous(folded string) bool {
	letters := strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) {
			return r
		}
		return -1
	}, folded)
	return slices.Contains([]string{
		"correcthorsebatterystaple", "thequickbrownfox", "thequickbrownfoxjumps", "thequickbrownfoxjumpsoverthelazydog",
		"loremipsumdolor", "loremipsumdolorsitamet", "tobeornottobe", "tobeornottobethatisthequestion",
	}, letters)
}

// breachedHashes are the first bytes of the hashes of passwords that have come to light, in order: see breached/README.md.
//
//go:embed breached/passwords.bin
var breachedHashes []byte

const breachedSize = 8 // bytes of each

// breached tells whether a text in lower case is one of them.
func breached(folded string) bool {
	sum := sha256.Sum256([]byte(folded))
	at := func(i int) []byte { return breachedHashes[i*breachedSize : (i+1)*breachedSize] }
	count := len(breachedHashes) / breachedSize
	i := sort.Search(count, func(i int) bool { return bytes.Compare(at(i), sum[:breachedSize]) >= 0 })
	return i < count && bytes.Equal(at(i), sum[:breachedSize])
}
