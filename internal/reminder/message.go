package reminder

// Message is what a reminder says. A lock screen may show all of it, so it holds no word about health and nobody's name.
type Message struct{ Subject, Text string }

// subject is the most that a locked phone may say.
const subject = "Practice time"

// caution goes with whatever bids somebody practise.
const caution = "A grown-up stays with every try, sitting upright. Stop when anything feels wrong, and ask whoever showed you how.\n"

// MessageOf returns what a reminder to a family says. Of an evening without news it says just that: whether there was practice
// nobody knows yet.
func MessageOf(kind Kind, run int) Message {
	text := "It is practice time. Whenever you are ready, the app shows what is left this evening.\n"
	switch {
	case kind == Missed:
		text = "We haven't heard about yesterday evening. If there was practice, it can still be noted in the app; what a phone holds " +
			"comes in by itself once it has a connection.\n"
	case run > 0:
		text += "\nWe haven't heard from you lately. What a phone holds comes in by itself once it has a connection, and any evening is a " +
			"good one to go on.\n"
	}
	return Message{Subject: subject, Text: text + "\n" + caution}
}

// CodeMessage returns what the message says that verifies an address by a code.
func CodeMessage(code string) Message {
	return Message{Subject: "Your code", Text: "Type this code in the app to get reminders here:\n\n    " + code +
		"\n\nIt is good for a day. If you did not ask for it, somebody mistyped their own address: do nothing.\n"}
}
