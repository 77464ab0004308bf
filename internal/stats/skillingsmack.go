package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Block is one night: a value for each treatment (position), of which any may be missing.
type Block []Cell

// Cell is the value of a treatment in a block, unless it is missing.
type Cell struct {
	Value float64
	Given bool
}

// Differences is what tells whether treatments differ at all.
type Differences struct {
	// Blocks is how many blocks say something: those with two values or more. Dropped is how many don't.
	Blocks, Dropped int
	// Values is how many values of each treatment were ranked.
	Values []int
	// MeanRank is the mean normalised rank of each treatment, see [NormalisedRank]; 1/2 where none was ranked.
	MeanRank []float64
	// Statistic is Skillings and Mack's in its form for ties; 0 where Freedom is 0. On blocks without a gap it is Friedman's,
	// corrected for ties.
	Statistic float64
	// Freedom is its degrees of freedom, the rank of its covariance: one less than there are treatments where all are
	// linked by blocks in which values differ, and 0 where every block is tied throughout.
	Freedom int
	// P is the probability of a statistic as great where the treatments do not differ, by the chi-square distribution, which
	// is rough for fewer than some 20 blocks. It is 1 where Freedom is 0.
	P float64
	// Comparable tells that blocks whose values differ link all treatments that were ranked, so that each can be held against
	// each. Without that the statistic compares within groups only.
	Comparable bool

	ranked *ranked
}

// ranked is the blocks as permutations need them.
type ranked struct {
	rows [][]score  // those that are not tied throughout
	form *quadratic // of the sums of scores
}

// score is a treatment's weighted distance from the middle of its block.
type score struct {
	treatment int
	value     float64
}

// tolerance is how far two statistics may lie apart and be the same one, summed in another order.
const tolerance = 1e-9

// DifferencesOf ranks each block and compares the treatments. Every block has a cell for each treatment.
//
// Skillings and Mack (1981), Technometrics 23:171-177. The covariance of each block is that of its own ranks under
// permutation, which allows for ties; without ties it is theirs. A block with fewer than two values is dropped. It holds as long
// as values are missing by chance: one left out because it is hard bends it.
func DifferencesOf(blocks []Block, treatments int) Differences {
	d := Differences{Values: make([]int, treatments), MeanRank: make([]float64, treatments), P: 1, ranked: &ranked{}}
	links := newLinks(treatments)
	for _, block := range blocks {
		if len(block) != treatments {
			panic(fmt.Sprintf("stats: a block of %d cells for %d treatments", len(block), treatments))
		}
		d.take(block, links)
	}
	for t, n := range d.Values {
		if n == 0 {
			d.MeanRank[t] = 0.5
		} else {
			d.MeanRank[t] /= float64(n)
		}
	}
	d.ranked.form, d.Freedom = links.form()
	d.Comparable = d.Freedom > 0 && d.Freedom == d.treatmentsRanked()-1
	if d.Freedom > 0 {
		d.Statistic = d.ranked.form.of(d.ranked.sums())
		d.P = distuv.ChiSquared{K: float64(d.Freedom)}.Survival(d.Statistic)
	}
	return d
}

func (d *Differences) treatmentsRanked() (n int) {
	for _, values := range d.Values {
		if values > 0 {
			n++
		}
	}
	return n
}

// take ranks a block.
func (d *Differences) take(block Block, links *links) {
	var at []int
	var values []float64
	for t, cell := range block {
		if cell.Given {
			at, values = append(at, t), append(values, cell.Value)
		}
	}
	k := len(values)
	if k < 2 {
		d.Dropped++
		return
	}
	d.Blocks++
	weight := math.Sqrt(12 / float64(k+1))
	row := make([]score, k)
	squares := 0.0
	for i, rank := range Midranks(values) {
		d.Values[at[i]]++
		d.MeanRank[at[i]] += NormalisedRank(rank, k)
		row[i] = score{at[i], weight * (rank - float64(k+1)/2)}
		squares += row[i].value * row[i].value
	}
	if squares == 0 {
		return // tied throughout, it favours nobody
	}
	d.ranked.rows = append(d.ranked.rows, row)
	// Under permutation the covariance of two scores is -squares/(k(k-1)), and of one with itself squares/k.
	links.add(at, squares/float64(k*(k-1)))
}

// Permuted returns the probability of a statistic as great over the permutations of the values within each block: the exact
// one where there are at most so many different arrangements of them, else an estimate from so many drawn ones, the data's own among them.
// The standard error of the estimate is sqrt(P(1-P)/draws). It is 1 where Freedom is 0.
//
// Phipson and Smyth (2010), Statistical Applications in Genetics and Molecular Biology 9:39, on why the data's own counts.
func (d *Differences) Permuted(random *rand.Rand, draws int) (p float64, exact bool) {
	if d.Freedom == 0 {
		return 1, true
	}
	if draws < 1 {
		panic(fmt.Sprintf("stats: %d draws", draws))
	}
	least := d.Statistic - tolerance*(1+d.Statistic)
	if d.ranked.arrangements(draws) <= draws {
		return d.ranked.share(least), true
	}
	rows := make([][]score, len(d.ranked.rows))
	for i, row := range d.ranked.rows {
		rows[i] = slices.Clone(row)
	}
	permuted := &ranked{rows, d.ranked.form}
	sums := make([]float64, len(d.Values))
	extreme := 1
	for range draws {
		for _, row := range rows {
			random.Shuffle(len(row), func(i, j int) { row[i].value, row[j].value = row[j].value, row[i].value })
		}
		permuted.sum(sums)
		if permuted.form.of(sums) >= least {
			extreme++
		}
	}
	return float64(extreme) / float64(draws+1), false
}

// sums returns the sum of scores of each treatment.
func (r *ranked) sums() []float64 {
	sums := make([]float64, r.form.treatments)
	r.sum(sums)
	return sums
}

func (r *ranked) sum(into []float64) {
	clear(into)
	for _, row := range r.rows {
		for _, s := range row {
			into[s.treatment] += s.value
		}
	}
}

// arrangements returns how many different arrangements of the scores there are, or any number above the most.
func (r *ranked) arrangements(most int) int {
	all := 1
	for _, row := range r.rows {
		all *= arrangementsOf(row, most)
		if all > most {
			return all
		}
	}
	return all
}

// arrangementsOf returns the number of different orders of a row: k! over the factorials of its tie sizes.
func arrangementsOf(row []score, most int) int {
	values := make([]float64, len(row))
	for i, s := range row {
		values[i] = s.value
	}
	orders, placed := 1.0, 0
	for _, t := range tieSizes(values) {
		for i := 1; i <= t; i++ {
			placed++
			orders = orders * float64(placed) / float64(i)
		}
	}
	return int(math.Round(min(orders, float64(most)+1)))
}

// share returns the share of all arrangements with a statistic of at least so much. All are as likely.
func (r *ranked) share(least float64) float64 {
	all, extreme := 0, 0
	sums := make([]float64, r.form.treatments)
	var place func(row int)
	place = func(row int) {
		if row == len(r.rows) {
			all++
			if r.form.of(sums) >= least {
				extreme++
			}
			return
		}
		eachOrder(r.rows[row], sums, func() { place(row + 1) })
	}
	place(0)
	return float64(extreme) / float64(all)
}

// eachOrder adds each different order of a row's scores to the sums in turn, calls do, and takes it away again.
func eachOrder(row []score, sums []float64, do func()) {
	values := make([]float64, len(row))
	for i, s := range row {
		values[i] = s.value
	}
	slices.Sort(values)
	used := make([]bool, len(row))
	var next func(at int)
	next = func(at int) {
		if at == len(row) {
			do()
			return
		}
		for i, v := range values {
			if used[i] || (i > 0 && v == values[i-1] && !used[i-1]) {
				continue // the same as one before
			}
			before := sums[row[at].treatment]
			used[i], sums[row[at].treatment] = true, before+v
			next(at + 1)
			used[i], sums[row[at].treatment] = false, before
		}
	}
	next(0)
}

// links is the covariance of the sums, which is the Laplacian of a graph: treatments are linked as strongly as the blocks
// that hold both make them.
type links struct {
	weight [][]float64
	size   int
}

func newLinks(treatments int) *links {
	l := &links{size: treatments, weight: make([][]float64, treatments)}
	for i := range l.weight {
		l.weight[i] = make([]float64, treatments)
	}
	return l
}

func (l *links) add(treatments []int, weight float64) {
	for _, a := range treatments {
		for _, b := range treatments {
			if a != b {
				l.weight[a][b] += weight
			}
		}
	}
}

// groups returns the treatments that are linked, however far around, without those that are linked to none.
func (l *links) groups() [][]int {
	var groups [][]int
	seen := make([]bool, l.size)
	for start := range l.size {
		group := []int{}
		for queue := []int{start}; len(queue) > 0; queue = queue[1:] {
			at := queue[0]
			if seen[at] {
				continue
			}
			seen[at] = true
			group = append(group, at)
			for next, weight := range l.weight[at] {
				if weight > 0 {
					queue = append(queue, next)
				}
			}
		}
		if len(group) > 1 {
			groups = append(groups, group)
		}
	}
	return groups
}

// quadratic is the form that a statistic is: sums' times the inverse of their covariance times sums.
type quadratic struct {
	treatments int
	parts      []part
}

// part is a group of linked treatments but for its last, whose sum follows from the others'. Without it the covariance can be
// inverted.
type part struct {
	treatments []int
	inverse    []float64 // row by row
}

// form returns the statistic's form, and its degrees of freedom.
func (l *links) form() (*quadratic, int) {
	q, freedom := &quadratic{treatments: l.size}, 0
	for _, group := range l.groups() {
		n := len(group) - 1
		covariance := mat.NewSymDense(n, nil)
		for i, a := range group[:n] {
			for _, weight := range l.weight[a] {
				covariance.SetSym(i, i, covariance.At(i, i)+weight)
			}
			for j, b := range group[:i] {
				covariance.SetSym(i, j, -l.weight[a][b])
			}
		}
		q.parts = append(q.parts, part{group[:n], inverted(covariance)})
		freedom += n
	}
	return q, freedom
}

func inverted(m *mat.SymDense) []float64 {
	var cholesky mat.Cholesky
	if !cholesky.Factorize(m) {
		panic("stats: linked treatments without a covariance") // a Laplacian without one of its rows is positive definite
	}
	n := m.SymmetricDim()
	inverse := mat.NewSymDense(n, nil)
	_ = cholesky.InverseTo(inverse) // it errs where digits are lost, of which these have plenty
	flat := make([]float64, 0, n*n)
	for i := range n {
		for j := range n {
			flat = append(flat, inverse.At(i, j))
		}
	}
	return flat
}

func (q *quadratic) of(sums []float64) float64 {
	total := 0.0
	for i := range q.parts {
		p := &q.parts[i]
		for a, one := range p.treatments {
			row := p.inverse[a*len(p.treatments):]
			for b, other := range p.treatments {
				total += sums[one] * row[b] * sums[other]
			}
		}
	}
	return max(0, total)
}
