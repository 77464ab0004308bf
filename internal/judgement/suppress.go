package judgement

import (
	"cmp"
	"maps"
	"slices"
)

// Fewest is the smallest number of programmes that a cohort tells (common practice); see [CohortsOf].
const Fewest = 5

// table is the rows of one plan and what is told of them.
type table struct {
	rows    []*row // by band
	whole   *row   // all of them
	most    int    // the most nights that anybody practised
	longest [waits]int
	columns map[trait]*column // by what they tell
	means   *column           // the mean nights
	told    []*column         // those told of all ages, in the order in which they were settled
}

// column is something that is told of a row or hidden from it.
type column struct {
	tells   []trait // whose number it tells; none for the means
	against []trait // whose number follows from it and others, and is lower as it is higher
	// enough reports whether there is enough else in a row; nil where nothing else matters.
	enough func(r *row) bool
	// leeway returns by how many the number of a row that hides it could be lower and higher, for all that figures say which are
	// no such numbers; nil where none says anything.
	leeway func(r *row) (lower, higher int)
	hidden []bool // by row
	told   bool   // of all ages, and of the rows that do not hide it
}

// tells reports whether a column is told of the row.
func (r *row) tells(c *column) bool {
	return c != nil && c.told && !r.untold && (r.at == ofAll || !c.hidden[r.at])
}

func tableOf(facts []*Facts) *table {
	t := &table{whole: &row{at: ofAll}, columns: map[trait]*column{}}
	byBand := map[string]*row{}
	for _, f := range facts {
		if byBand[f.AgeBand] == nil {
			byBand[f.AgeBand] = &row{band: f.AgeBand}
		}
		byBand[f.AgeBand].add(f)
		t.most = max(t.most, f.Practised)
		for w := range waits {
			t.longest[w] = max(t.longest[w], w.waited(f).Nights)
		}
	}
	for at, band := range slices.SortedFunc(maps.Keys(byBand), compareBands) {
		t.rows = append(t.rows, byBand[band])
		t.rows[at].at = at
		t.whole.merge(byBand[band])
	}
	return t
}

// settle decides what is told of every row.
func (t *table) settle() {
	hidden := make([]bool, len(t.rows))
	for i, r := range t.rows {
		hidden[i] = r.enrolled < Fewest
	}
	t.whole.untold = !t.cover(hidden, enoughEnrolled)
	for i, r := range t.rows {
		r.untold = t.whole.untold || hidden[i]
	}
	if t.whole.untold {
		return
	}
	t.means = &column{enough: t.enoughNights}
	t.settleColumn(t.means)
	numbers := t.numbers()
	slices.SortStableFunc(numbers, func(a, b *column) int { return cmp.Compare(t.misfits(a), t.misfits(b)) })
	for _, c := range numbers {
		t.settleColumn(c)
	}
	for _, c := range t.atRisk() {
		t.settleColumn(c)
	}
}

// enoughEnrolled reports whether the bands of which nothing is told hide one another. That a band is there tells of one in it.
func enoughEnrolled(rows []*row) bool {
	others := 0
	for _, r := range rows {
		others += r.enrolled - 1
	}
	return others >= Fewest
}

// cover hides one row after another, the smallest first, until those hidden are safe together; false where they are not
// safe even when all are hidden. Where one is hidden because it is not safe, it is not so alone.
func (t *table) cover(hidden []bool, safe func(rows []*row) bool) bool {
	for {
		var together []*row
		smallest := -1
		for i, r := range t.rows {
			switch {
			case hidden[i]:
				together = append(together, r)
			case smallest < 0 || r.enrolled < t.rows[smallest].enrolled:
				smallest = i
			}
		}
		switch {
		case len(together) == 0 || safe(together):
			return true
		case smallest < 0:
			return false
		}
		hidden[smallest] = true
	}
}

// numbers returns the columns but for the means and those of who is at risk.
func (t *table) numbers() []*column {
	practised := t.column(hasPractised)
	practised.leeway = t.leewayOfNights
	overPractised := t.column(isOverPractised)
	overPractised.against = []trait{isOverOrPractised} // the numbers of the one and of the other, less that of both
	all := []*column{
		practised,
		t.column(isOver),
		t.column(hasCompleted),
		overPractised,
		t.column(isOffCentre),
		t.column(forSwallowing.of(wasFollowed)),
	}
	if one, other := forSwallowing.of(wasFollowed), forReadiness.of(wasFollowed); t.whole.split(one, other).same() {
		t.columns[other] = t.columns[one]
	} else {
		all = append(all, t.column(other))
	}
	for w := range waits {
		events := t.column(w.of(hasHappened))
		all = append(all, events)
		for i, night := range cohortNights {
			if night >= t.longest[w] {
				t.columns[w.on(i, happenedBy)] = events // nobody was followed further
				continue
			}
			all = append(all, t.column(w.on(i, happenedBy)))
		}
	}
	return all
}

// atRisk returns the columns of who is at risk on a night, where it is told how many have reached what they wait for by then.
func (t *table) atRisk() []*column {
	var all []*column
	for w := range waits {
		for i := range cohortNights {
			if t.whole.tells(t.columns[w.on(i, happenedBy)]) {
				all = append(all, t.column(w.on(i, wasAtRisk)))
			}
		}
	}
	return all
}

// column returns a new column, which is found by what it tells.
func (t *table) column(tells trait) *column {
	t.columns[tells] = &column{tells: []trait{tells}}
	return t.columns[tells]
}

// enoughNights reports whether enough practised for the mean of their nights to be told. It is not where those enrolled are too
// few for how many practised to be told, nor where the nights are so many that all must have practised.
func (t *table) enoughNights(r *row) bool {
	return r.with(hasPractised) >= Fewest && r.enrolled >= 2*Fewest && r.nights <= t.most*(r.enrolled-1)
}

// leewayOfNights returns how many fewer and how many more could have practised the nights that a row tells: each of them at
// least one, and none more than somebody of the plan did.
func (t *table) leewayOfNights(r *row) (lower, higher int) {
	if !r.tells(t.means) {
		return r.enrolled, r.enrolled
	}
	least := (r.nights + t.most - 1) / t.most
	return r.with(hasPractised) - least, r.nights - r.with(hasPractised)
}

// misfits counts the rows that could not tell a column though it were the only one.
func (t *table) misfits(c *column) int {
	n := 0
	for _, r := range t.rows {
		if r.untold || !t.safe(c, nil, false, r) {
			n++
		}
	}
	return n
}

// settleColumn decides where a column is told, beside those settled before.
func (t *table) settleColumn(c *column) {
	var beside []trait
	for _, e := range t.told {
		beside = append(beside, e.tells...)
	}
	c.hidden = make([]bool, len(t.rows))
	for i, r := range t.rows {
		c.hidden[i] = r.untold || !t.safe(c, beside, false, r)
	}
	c.told = t.cover(c.hidden, func(rows []*row) bool { return t.safe(c, beside, true, rows...) })
	if c.told {
		t.told = append(t.told, c)
	}
}

// safe reports whether rows, seen together, can tell a column beside numbers told; with hide, whether they can hide it, so that
// no more than their sum can be had. Rows that hide a number beside it are taken to tell it, for they may give away a sum too.
func (t *table) safe(c *column, beside []trait, hide bool, rows ...*row) bool {
	lower, higher := 0, 0
	for _, r := range rows {
		l, h := t.room(r, c, beside)
		if hide && c.leeway != nil {
			down, up := c.leeway(r)
			l, h = min(l, down), min(h, up)
		}
		lower, higher = lower+l, higher+h
	}
	return lower >= Fewest && higher >= Fewest && (c.enough == nil || c.enough(together(rows)))
}

// together returns the rows as one.
func together(rows []*row) *row {
	if len(rows) == 1 {
		return rows[0]
	}
	all := &row{}
	for _, r := range rows {
		all.merge(r)
	}
	return all
}

// room returns by how many programmes of a row the numbers of a column could be lower and higher before they met another.
func (t *table) room(r *row, c *column, beside []trait) (lower, higher int) {
	lower, higher = r.enrolled, r.enrolled
	for _, a := range c.tells {
		fewer, more := t.between(r, a, beside)
		lower, higher = min(lower, fewer), min(higher, more)
	}
	for _, a := range c.against {
		fewer, more := t.between(r, a, beside)
		lower, higher = min(lower, more), min(higher, fewer)
	}
	return lower, higher
}

// between returns how many programmes of a row lie between those with a trait and the nearest of the numbers beside it, of
// fewer and of more programmes. None of the enrolled and all of them are always such.
func (t *table) between(r *row, a trait, beside []trait) (fewer, more int) {
	fewer, more = r.with(a), r.enrolled-r.with(a)
	for _, b := range beside {
		everywhere, here := t.whole.split(a, b), r.split(a, b)
		if everywhere.first == 0 { // who has a has b
			more = min(more, here.second)
		}
		if everywhere.both == 0 { // who has a has not b
			more = min(more, here.neither)
		}
		if everywhere.second == 0 { // who has b has a
			fewer = min(fewer, here.first)
		}
		if everywhere.neither == 0 { // who has not b has a
			fewer = min(fewer, here.both)
		}
	}
	return fewer, more
}
