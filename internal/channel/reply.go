package channel

import (
	"net/textproto"
	"regexp"
	"strconv"
)

// statusCode is an enhanced status code (RFC 3463) where RFC 2034 puts it: first in the text of a reply's line.
var statusCode = regexp.MustCompile(`(?m)^([245])\.(\d{1,3})\.(\d{1,3})(?: |$)`)

// enhanced returns subject and detail of a reply's enhanced status code; empty where it has none that fits its first digit.
func enhanced(reply *textproto.Error) (subject, detail string) {
	found := statusCode.FindStringSubmatch(reply.Msg)
	if found == nil || found[1] != strconv.Itoa(reply.Code/100) {
		return "", ""
	}
	return found[2], found[3]
}

// codes returns the numbers of a reply, such as "550 5.1.1".
func codes(reply *textproto.Error) string {
	code := strconv.Itoa(reply.Code)
	if subject, detail := enhanced(reply); subject != "" {
		code += " " + code[:1] + "." + subject + "." + detail
	}
	return code
}

// meaning tells what a reply other than success says of the message. Only one that finds fault with the address, for good,
// is ErrRefused. Everything else that a relay refuses is its own trouble, or the operator's: a relay that has forgotten whom
// to relay for, a sender it does not like, a filter that is out of order. Each would otherwise put off all addresses at once.
func meaning(at step, reply *textproto.Error) error {
	severity := reply.Code / 100 // RFC 5321, section 4.2.1: by 4yz and 5yz alone a relay says that it has not done it
	switch {
	case at == ending && severity != 4 && severity != 5:
		return ErrUnclear
	case at != recipient && at != ending || severity != 5:
		return ErrLater
	}
	switch subject, detail := enhanced(reply); subject {
	case "", "0": // RFC 3463, section 3.1: says no more than the reply's own code
		return plainMeaning(at, reply.Code)
	case "1": // section 3.2: an address; but 7 and 8 are the sender's
		if detail != "7" && detail != "8" {
			return ErrRefused
		}
	case "2": // section 3.3: the mailbox; but 2 is a full one, which is to count as passing
		if detail != "2" {
			return ErrRefused
		}
	}
	return ErrLater
}

// plainMeaning is what a reply of 5yz means by its own code (RFC 5321, sections 4.2.2 and 4.2.3; 556: RFC 7504). Only in answer to
// the recipient is it believed to be about the mailbox: many filters answer a message with a plain 550 that they do not like.
func plainMeaning(at step, code int) error {
	switch code {
	case 550, 551, 553, 556: // not there, elsewhere, not a possible one, not in such a domain
		if at == recipient {
			return ErrRefused
		}
	}
	// Among them 552, which RFC 5321, section 4.5.3.1.10, wants treated as passing, 554, which relays that deny relaying answer, and
	// 500 to 504, which are about commands.
	return ErrLater
}
