package practice

import (
	"cmp"
	"slices"
)

// account is what one person says of one thing, as it stands.
type account struct {
	first   *Stamped // what the person wrote first of it, standing or not
	kind    Kind
	speaker Author
	// unseenRetraction marks a retraction whose writer had not seen one of the heads.
	unseenRetraction bool
	heads            []*Stamped // by id; none where the account is withdrawn
	// withdrawn holds what the person said last before withdrawing it; none where heads stand.
	withdrawn []*Stamped
}

func (a *account) subject() SubjectID { return a.first.Subject }

// accountsOf groups voices into accounts and finds the heads of each.
func (r *Record) accountsOf(voices []voice) []account {
	slices.SortStableFunc(voices, func(a, b voice) int {
		return cmp.Or(compareIDs(a.Subject.UUID, b.Subject.UUID), a.speaker.compare(b.speaker))
	})
	accounts := make([]account, 0, len(voices))
	// Most accounts have one head: these lie side by side in one array.
	heads := make([]*Stamped, 0, len(voices))
	for len(voices) > 0 {
		n := 1
		for n < len(voices) && voices[n].Subject == voices[0].Subject && voices[n].speaker == voices[0].speaker {
			n++
		}
		if kind := voices[0].Body.Kind(); n == 1 && kind != KindRetract {
			heads = append(heads, voices[0].Stamped)
			accounts = append(accounts, account{
				first: voices[0].Stamped, kind: kind, speaker: voices[0].speaker, heads: heads[len(heads)-1 : len(heads) : len(heads)],
			})
		} else {
			accounts = r.appendAccounts(accounts, voices[:n])
		}
		voices = voices[n:]
	}
	return accounts
}

// appendAccounts appends the accounts, one for each kind, that the voices of one person on one subject make up.
func (r *Record) appendAccounts(accounts []account, voices []voice) []account {
	first := len(accounts)
	thread := threadOf(voices)
	stands := thread.standing()
	var retractions []voice
	for i, v := range voices {
		if !stands[i] {
			r.idle[v.ID] = WhyReplaced
		}
		if v.Body.Kind() == KindRetract {
			if stands[i] {
				retractions = append(retractions, v)
			}
			continue
		}
		a := accountOfKind(&accounts, first, v)
		if v.recorded().unixMilli < a.first.recorded().unixMilli {
			a.first = v.Stamped
		}
		if stands[i] {
			a.heads = append(a.heads, v.Stamped)
		}
	}
	r.settleWithdrawals(accounts[first:], thread, stands, retractions)
	return accounts
}

func accountOfKind(accounts *[]account, first int, v voice) *account {
	kind := v.Body.Kind()
	for i := first; i < len(*accounts); i++ {
		if a := &(*accounts)[i]; a.kind == kind {
			return a
		}
	}
	*accounts = append(*accounts, account{first: v.Stamped, kind: kind, speaker: v.speaker})
	return &(*accounts)[len(*accounts)-1]
}

// settleWithdrawals marks the accounts that are withdrawn, and those with a retraction beside an edit it had not seen.
func (r *Record) settleWithdrawals(accounts []account, said thread, stands []bool, retractions []voice) {
	useful := false
	for i := range accounts {
		a := &accounts[i]
		if len(a.heads) > 0 {
			a.unseenRetraction = len(retractions) > 0
			continue
		}
		useful = true
		a.withdrawn = said.lastWords(a.kind, stands)
		for _, e := range a.withdrawn {
			r.idle[e.ID] = WhyWithdrawn
		}
	}
	for _, v := range retractions {
		switch {
		case useful:
			r.withdrew = append(r.withdrew, v.ID)
		case len(accounts) > 0:
			r.idle[v.ID] = WhyUnseenEdit
		default:
			// It may speak for another witness too, of whom something stands that its writer had not seen.
			if r.idle[v.ID] != WhyUnseenEdit {
				r.idle[v.ID] = WhyNothingToRetract
			}
		}
	}
}

// thread is what one person said on one subject, and the place of each entry among it.
type thread struct {
	voices []voice
	at     map[EntryID]int
}

func threadOf(voices []voice) thread {
	t := thread{voices: voices, at: make(map[EntryID]int, len(voices))}
	for i, v := range voices {
		t.at[v.ID] = i
	}
	return t
}

// replaced returns the voices that voice i replaces: other entries of the same kind, or where one of the two is a
// retraction. What a clinician copied may be corrected by a clinician or the witness, but no copy replaces what the
// witness wrote with their own hand.
func (t thread) replaced(i int) []int {
	var replaced []int
	for _, id := range t.voices[i].Replaces {
		j, ok := t.at[id]
		if !ok || i == j || (t.byClinician(i) && !t.byClinician(j)) {
			continue
		}
		a, b := t.kind(i), t.kind(j)
		if a == b || a == KindRetract || b == KindRetract {
			replaced = append(replaced, j)
		}
	}
	return replaced
}

func (t thread) kind(i int) Kind { return t.voices[i].Body.Kind() }

func (t thread) byClinician(i int) bool { return t.voices[i].Author.Role == Clinician }

// standing tells which voices no other replaces. The members of a ring of replacements, and whatever only they replace,
// all stand: none of them is known to be the last word.
func (t thread) standing() []bool {
	stands := make([]bool, len(t.voices))
	for i := range stands {
		stands[i] = true
	}
	for i := range t.voices {
		for _, j := range t.replaced(i) {
			stands[j] = false
		}
	}
	accounted := slices.Clone(stands)
	for queue := indicesOf(stands); len(queue) > 0; queue = queue[1:] {
		for _, j := range t.replaced(queue[0]) {
			if !accounted[j] {
				accounted[j] = true
				queue = append(queue, j)
			}
		}
	}
	for i := range stands {
		stands[i] = stands[i] || !accounted[i]
	}
	return stands
}

// lastWords returns, of a kind of which nothing stands, the entries that were said last: those that a retraction replaces
// and that no later entry of the kind came between.
func (t thread) lastWords(kind Kind, stands []bool) []*Stamped {
	var last []*Stamped
	seen := slices.Clone(stands)
	for queue := indicesOf(stands); len(queue) > 0; queue = queue[1:] {
		for _, j := range t.replaced(queue[0]) {
			if seen[j] {
				continue
			}
			seen[j] = true
			if t.kind(j) == kind {
				last = append(last, t.voices[j].Stamped)
			} else {
				queue = append(queue, j)
			}
		}
	}
	slices.SortFunc(last, func(a, b *Stamped) int { return compareIDs(a.ID.UUID, b.ID.UUID) })
	return last
}

func indicesOf(flags []bool) []int {
	var indices []int
	for i, flag := range flags {
		if flag {
			indices = append(indices, i)
		}
	}
	return indices
}
