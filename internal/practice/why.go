package practice

// Why is a sentence that says why an entry is without effect.
type Why string

// The reasons for which an entry is without effect.
const (
	WhyQuarantined      Why = "It is quarantined: what is wrong with it is named beside it."
	WhySoundByNow       Why = "It was quarantined, but nothing is wrong with it any more: it counts once a review takes it."
	WhyParked           Why = "Its kind or schema is not known yet; it is taken up after an upgrade."
	WhyFlawed           Why = "Its kind and schema are known by now, but something in it is wrong: it is to be written anew."
	WhySealed           Why = "Its author had withdrawn consent: it is unread until they give it again."
	WhySetAside         Why = "It was set aside, and no review has taken it."
	WhyTakenInVain      Why = "A review takes it, but as it is it can't count: it is to be written anew."
	WhyLeft             Why = "It was kept back, and a review has left it."
	WhyReplaced         Why = "A later entry by the same person replaces it."
	WhyWithdrawn        Why = "Its author has withdrawn it."
	WhyNoSession        Why = "It names a session that has not arrived."
	WhySessionWithdrawn Why = "The session it belongs to has been withdrawn."
	WhyOtherLearner     Why = "The session it names is another learner's."
	WhyAfterInstant     Why = "Its session starts after the instant that was asked for."
	WhyNotCopied        Why = "A clinician's try needs a session copied off paper with its witness, and that has not arrived."
	WhyNothingToRetract Why = "It withdraws nothing of its author's that stands."
	WhyUnseenEdit       Why = "It was written without seeing an edit by the same person, which stands."
	WhyStaleSettlement  Why = "It does not settle the readings as they are now, so they stand as if it were not there."
)

// toMend reports whether an entry is kept back by what is wrong with it, or was, until somebody deals with it.
func (w Why) toMend() bool {
	return w == WhyQuarantined || w == WhySoundByNow || w == WhyFlawed || w == WhyTakenInVain
}
