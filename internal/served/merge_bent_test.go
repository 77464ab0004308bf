package served_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/practice"
)

// The vectors are worth what they find out. Here rules of the fold are broken, one at a time, by bending what goes into it
// or what comes out, as a careless fold would have it; some case must tell each from the true one.

// bentInputs break a rule by what they do to a household before it is folded.
var bentInputs = map[string]func(h *household){
	"an edit replaces nothing": func(h *household) {
		h.change(func(e *practice.Stamped) { e.Replaces = nil })
	},
	"an edit replaces what anybody wrote": func(h *household) {
		h.drop(func(e *practice.Stamped) bool {
			return slices.ContainsFunc(h.entries, func(by practice.Stamped) bool { return slices.Contains(by.Replaces, e.ID) })
		})
	},
	"the last writer wins, by the clock": func(h *household) {
		h.drop(func(e *practice.Stamped) bool {
			return slices.ContainsFunc(h.entries, func(other practice.Stamped) bool {
				return other.Subject == e.Subject && other.Recorded.Time().After(e.Recorded.Time())
			})
		})
	},
	"of several edits one is kept": func(h *household) {
		h.drop(func(e *practice.Stamped) bool {
			return slices.ContainsFunc(h.entries, func(other practice.Stamped) bool {
				return other.Subject == e.Subject && other.Author == e.Author && other.ID.String() < e.ID.String() &&
					len(e.Replaces) > 0 && slices.Equal(other.Replaces, e.Replaces)
			})
		})
	},
	"a withdrawal goes before every edit": func(h *household) {
		h.changeRetractions(func(r, e *practice.Stamped) bool { return e.Author == r.Author })
	},
	"a withdrawal withdraws what others said": func(h *household) {
		for i := range h.entries {
			if _, ok := h.entries[i].Body.(*practice.Retract); ok {
				h.change(func(e *practice.Stamped) {
					if e.Subject == h.entries[i].Subject && e.Status == practice.Accepted {
						e.Author = h.entries[i].Author
					}
				})
			}
		}
		h.changeRetractions(func(_, _ *practice.Stamped) bool { return true })
	},
	"nothing is withdrawn":         func(h *household) { h.dropKind(practice.KindRetract) },
	"settlements do nothing":       func(h *household) { h.dropKind(practice.KindSettle) },
	"excuses do nothing":           func(h *household) { h.dropKind(practice.KindExcuse) },
	"clears do nothing":            func(h *household) { h.dropKind(practice.KindClear) },
	"positions stay on":            func(h *household) { h.dropKind(practice.KindPositions) },
	"reviews do nothing":           func(h *household) { h.dropKind(practice.KindReview) },
	"links that say same are lost": func(h *household) { h.dropLinks(true) },
	"links that say distinct are lost": func(h *household) {
		h.dropLinks(false)
	},
	"a review that leaves an entry is lost": func(h *household) {
		h.drop(func(e *practice.Stamped) bool {
			review, ok := e.Body.(*practice.Review)
			return ok && !review.Take
		})
	},
	"a clinician settles as anybody": func(h *household) {
		h.change(func(e *practice.Stamped) {
			if _, ok := e.Body.(*practice.Settle); ok {
				e.Author.Role = practice.Caregiver
			}
		})
	},
	"what was set aside counts": func(h *household) {
		h.change(func(e *practice.Stamped) {
			if e.Status == practice.SetAside {
				e.Status = practice.Accepted
			}
		})
	},
	"an incident that was kept back holds nobody": func(h *household) {
		h.drop(func(e *practice.Stamped) bool { return e.Status != practice.Accepted })
	},
	"a copied sheet is the clinician's account": func(h *household) {
		h.change(func(e *practice.Stamped) {
			switch e.Body.(type) {
			case *practice.Session, *practice.Try:
				e.Author.Role = practice.Caregiver
			}
		})
	},
	"learners are not told apart": func(h *household) {
		h.change(func(e *practice.Stamped) { e.Learner = h.learner })
	},

	"the window is 59 minutes": func(h *household) { h.plan().SittingWindow -= time.Minute },
	"the window is 61 minutes": func(h *household) { h.plan().SittingWindow += time.Minute },
	"the window is open at its end": func(h *household) {
		h.plan().SittingWindow -= time.Millisecond
	},
	"the day turns at midnight":          func(h *household) { h.plan().TurnsAt = 0 },
	"the day turns a minute early":       func(h *household) { h.plan().TurnsAt-- },
	"the day turns a minute late":        func(h *household) { h.plan().TurnsAt++ },
	"recalled is reached at the border":  func(h *household) { h.plan().RecalledAfter -= time.Millisecond },
	"recalled a second later":            func(h *household) { h.plan().RecalledAfter += time.Second },
	"written together within 9 minutes":  func(h *household) { h.plan().WrittenTogetherWithin -= time.Minute },
	"written together within 11 minutes": func(h *household) { h.plan().WrittenTogetherWithin += time.Minute },
	"silent for a second more":           func(h *household) { h.plan().SilentAfter += time.Second },
	"silent for a second less":           func(h *household) { h.plan().SilentAfter -= time.Second },
	"an enrolment is never ended": func(h *household) {
		h.enrolments = eachOf(h.enrolments, func(e *practice.Enrolment) { e.Ended = false })
	},
	"the enrolment written first prevails": func(h *household) {
		h.enrolments = eachOf(h.enrolments, func(e *practice.Enrolment) {
			e.Written = h.at.Add(h.at.Sub(e.Written))
		})
	},

	"the night is that of home, not of the place": func(h *household) {
		h.movePractice(func(at time.Time) time.Time { return at.In(h.home()) })
	},
	"the night is that of Greenwich": func(h *household) { h.movePractice(time.Time.UTC) },
	"wall times are compared, not instants": func(h *household) {
		h.movePractice(func(at time.Time) time.Time {
			return time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), at.Second(), at.Nanosecond(), h.home())
		})
	},
	"wrong clocks are let be": func(h *household) {
		h.change(func(e *practice.Stamped) { e.ClockOffset = 0 })
	},
	"five minutes are too many": func(h *household) {
		h.change(func(e *practice.Stamped) {
			if e.ClockOffset.Abs() == 5*time.Minute {
				e.ClockOffset += e.ClockOffset / (5 * 60 * 1000)
			}
		})
	},
	"a wrong clock is wrong the other way": func(h *household) {
		h.change(func(e *practice.Stamped) { e.ClockOffset = -e.ClockOffset })
	},
	"a corrected clock is as good as any": func(h *household) {
		h.change(func(e *practice.Stamped) {
			if session, ok := e.Body.(*practice.Session); ok && e.Suspect() {
				session.Practised = practice.MomentOf(session.Practised.Time().Add(e.ClockOffset))
				e.Recorded = practice.MomentOf(e.Recorded.Time().Add(e.ClockOffset))
				e.ClockOffset = 0
			}
		})
	},
	"an upload is when an entry was written": func(h *household) {
		h.change(func(e *practice.Stamped) { e.Recorded = practice.MomentOf(e.Received) })
	},

	"everybody has been heard from": func(h *household) {
		h.contacts = eachOf(h.contacts, func(c *practice.Contact) { c.Heard = h.at })
	},
	"to enrol is to be heard from": func(h *household) {
		h.contacts = eachOf(h.contacts, func(c *practice.Contact) {
			if c.Heard.IsZero() {
				c.Heard = c.Enrolled
			}
		})
	},
	"a revoked phone is waited for": func(h *household) {
		h.contacts = eachOf(h.contacts, func(c *practice.Contact) { c.Revoked = false })
	},
	"every phone must be heard from": func(h *household) {
		h.contacts = eachOf(h.contacts, func(c *practice.Contact) { c.Owner = practice.PersonID(c.Device) })
	},
	"the instant is a second late":  func(h *household) { h.at = h.at.Add(time.Second) },
	"the instant is a second early": func(h *household) { h.at = h.at.Add(-time.Second) },
}

// bentOutputs break a rule by what they do to the nights that were told.
var bentOutputs = map[string]func(told document){
	"the mean of the readings counts": func(told document) {
		eachTry(told, func(_, try document) {
			sum, n := 0.0, 0.0
			for _, r := range readingsOf(try) {
				if ease, ok := r["ease"].(float64); ok {
					sum, n = sum+ease, n+1
				}
			}
			if n > 0 {
				try["ease"] = math.Round(sum / n)
			}
		})
	},
	"the least cautious reading counts": func(told document) {
		eachTry(told, func(_, try document) {
			last := readingsOf(try)[len(readingsOf(try))-1]
			try["outcome"], try["ease"] = last["outcome"], last["ease"]
		})
	},
	"the lowest ease goes with the worst outcome": func(told document) {
		eachTry(told, func(_, try document) {
			if easeRange, ok := try["ease_range"].([]any); ok && try["ease"] != nil && try["settlement"] == nil {
				try["ease"] = easeRange[0]
			}
		})
	},
	"eases that differ by 2 agree":    func(told document) { agreeWhere(told, "disagreed", "agreed", 2) },
	"eases that differ by 1 disagree": func(told document) { agreeWhere(told, "agreed", "disagreed", 1) },
	"a disagreement is nobody's":      func(told document) { agreeWhere(told, "disagreed", "agreed", 0) },
	"a settlement never reopens": func(told document) {
		eachTry(told, func(_, try document) {
			past, _ := try["past_settlements"].([]any)
			if len(past) > 0 && try["agreement"] == "disagreed" {
				try["agreement"], try["settlement"] = "settled", past[0]
				delete(try, "past_settlements")
			}
		})
	},
	"an old settlement is forgotten": func(told document) {
		eachTry(told, func(_, try document) { delete(try, "past_settlements") })
	},
	"snags are those of the reading that counts": func(told document) {
		eachTry(told, func(_, try document) { try["snags"] = readingsOf(try)[0]["snags"] })
	},
	"the last try is scored": func(told document) {
		scoreWhere(told, func(try document) bool { return try["medium"] == "sweet" && try["outcome"] != "refused" }, true)
	},
	"a refusal is scored": func(told document) {
		scoreWhere(told, func(try document) bool { return try["medium"] == "sweet" }, false)
	},
	"any medium is scored": func(told document) {
		scoreWhere(told, func(try document) bool { return try["outcome"] != "refused" }, false)
	},
	"nobody waits for silent phones": func(told document) { sayInstead(told, "unheard", "missed") },
	"nobody believes in silence":     func(told document) { sayInstead(told, "missed", "unheard") },
	"some is all":                    func(told document) { sayInstead(told, "partial", "complete") },
	"an attempt is nothing":          func(told document) { sayInstead(told, "attempted", "missed") },
	"practice undoes the excuse": func(told document) {
		eachNight(told, func(n document) {
			if n["status"] != "excused" {
				n["excuses"] = []any{}
			}
		})
	},
	"a streak once long stays long": func(told document) {
		if streak, ok := told["streak"].(document); ok {
			streak["current"] = streak["longest"]
		}
	},
	"nobody is on hold":         func(told document) { told["hold"] = []any{} },
	"earlier nights are hidden": func(told document) { told["earlier"] = []any{} },
}

func TestMergeVectorsFindOutABrokenRule(t *testing.T) {
	t.Parallel()
	cases := mergeCases(t)
	same, leave := func(*household) {}, func(document) {}
	assert.Empty(t, foundOut(t, cases, 0, same, leave), "nothing is bent")
	for name, bend := range bentInputs {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.NotEmpty(t, foundOut(t, cases, 0, bend, leave))
		})
	}
	for name, bend := range bentOutputs {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.NotEmpty(t, foundOut(t, cases, 0, same, bend))
		})
	}
	for _, mark := range []practice.Mark{
		practice.MarkRecalled, practice.MarkWrittenTogether, practice.MarkClockSuspect, practice.MarkOffsetUnknown,
		practice.MarkCopied, practice.MarkTwice, practice.MarkSeveralHeads, practice.MarkRetractionUnseen,
	} {
		t.Run("no mark "+string(mark), func(t *testing.T) {
			t.Parallel()
			assert.NotEmpty(t, foundOut(t, cases, 0, same, func(told document) {
				eachNight(told, func(n document) { unmark(n, mark) })
			}))
		})
	}
	t.Run("ties go to the greater id", func(t *testing.T) {
		t.Parallel()
		assert.NotEmpty(t, foundOut(t, cases, 0xff, same, leave))
	})
}

// foundOut returns the first case that tells a bent fold from the true one; nothing where none does.
func foundOut(t *testing.T, cases []mergeCase, names naming, input func(*household), output func(document)) string {
	t.Helper()
	for i := range cases {
		h := cases[i].household(t, names)
		input(&h)
		told := h.tell(t)
		output(told)
		if cases[i].asCompared(t, told) != cases[i].want {
			return cases[i].File + ": " + cases[i].Name
		}
	}
	return ""
}

// change does something to every entry.
func (h *household) change(do func(e *practice.Stamped)) { h.entries = eachOf(h.entries, do) }

// changeRetractions lets each retraction also replace those entries of its subject that it is told to.
func (h *household) changeRetractions(also func(r, e *practice.Stamped) bool) {
	for i := range h.entries {
		r := &h.entries[i]
		if _, ok := r.Body.(*practice.Retract); !ok {
			continue
		}
		for j := range h.entries {
			if e := &h.entries[j]; e.Subject == r.Subject && e.ID != r.ID && also(r, e) {
				r.Replaces = append(r.Replaces, e.ID)
			}
		}
	}
}

func (h *household) drop(which func(e *practice.Stamped) bool) {
	var kept []practice.Stamped
	for i := range h.entries {
		if !which(&h.entries[i]) {
			kept = append(kept, h.entries[i])
		}
	}
	h.entries = kept
}

func (h *household) dropKind(kind practice.Kind) {
	h.drop(func(e *practice.Stamped) bool { return e.Body != nil && e.Body.Kind() == kind })
}

func (h *household) dropLinks(same bool) {
	h.drop(func(e *practice.Stamped) bool {
		link, ok := e.Body.(*practice.Link)
		return ok && link.Same == same
	})
}

// plan returns the plan of the enrolment that a case has, or of one that is of no account.
func (h *household) plan() *practice.Plan {
	if len(h.enrolments) == 0 {
		return &practice.Plan{}
	}
	return &h.enrolments[0].Plan
}

func (h *household) home() *time.Location {
	if len(h.enrolments) == 0 {
		return time.UTC
	}
	return h.enrolments[0].Zone
}

// movePractice says otherwise when sessions began.
func (h *household) movePractice(as func(time.Time) time.Time) {
	h.change(func(e *practice.Stamped) {
		if session, ok := e.Body.(*practice.Session); ok {
			session.Practised = practice.MomentOf(as(session.Practised.Time()))
		}
	})
}

// eachOf does something to every item of a list, and returns the list.
func eachOf[T any](list []T, do func(*T)) []T {
	for i := range list {
		do(&list[i])
	}
	return list
}

// objects returns the objects of a list.
func objects(list any) []document {
	items, _ := list.([]any)
	all := make([]document, len(items))
	for i := range items {
		all[i] = items[i].(document)
	}
	return all
}

func readingsOf(try document) []document { return objects(try["readings"]) }

// eachNight hands over every night that was told of.
func eachNight(told document, do func(night document)) {
	for _, n := range objects(told["nights"]) {
		do(n)
	}
	for _, n := range objects(told["earlier"]) {
		do(n)
	}
}

func eachTry(told document, do func(night, try document)) {
	eachNight(told, func(n document) {
		for _, s := range objects(n["sittings"]) {
			for _, try := range objects(s["tries"]) {
				do(n, try)
			}
		}
	})
}

// agreeWhere says otherwise how readings stand to each other where their eases differ by so much.
func agreeWhere(told document, is, instead string, apart float64) {
	eachTry(told, func(_, try document) {
		easeRange, ok := try["ease_range"].([]any)
		differs := 0.0
		if ok {
			differs = easeRange[1].(float64) - easeRange[0].(float64)
		}
		if try["agreement"] == is && differs == apart {
			try["agreement"] = instead
		}
	})
}

// scoreWhere scores the first of certain tries, or the last.
func scoreWhere(told document, counts func(try document) bool, last bool) {
	eachNight(told, func(n document) { n["score"] = document{} })
	eachTry(told, func(n, try document) {
		score, position := n["score"].(document), try["position"].(string)
		if _, has := score[position]; !counts(try) || (has && !last) {
			return
		}
		score[position] = only(try, "outcome", "ease")
	})
}

func sayInstead(told document, is, instead string) {
	eachNight(told, func(n document) {
		if n["status"] == is {
			n["status"] = instead
		}
	})
}

// unmark takes a mark off a night and its sittings.
func unmark(n document, mark practice.Mark) {
	without := func(doc document) {
		marks, _ := doc["marks"].([]any)
		doc["marks"] = slices.DeleteFunc(slices.Clone(marks), func(m any) bool { return m == string(mark) })
	}
	without(n)
	for _, s := range objects(n["sittings"]) {
		without(s)
	}
}
