package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"swallowtail/internal/load"
)

// loadReport is what a load came to. What could not be measured is left out.
type loadReport struct {
	Invented    bool             `json:"invented"` // always: nobody in the clinic is anybody
	Households  int              `json:"households"`
	Compressed  bool             `json:"compressed"`
	Stopped     bool             `json:"stopped"` // before its end, so that the figures are of a part
	AtRest      int64            `json:"server_resident_octets_at_rest,omitzero"`
	Scenarios   []scenarioReport `json:"scenarios"`
	Database    *databaseReport  `json:"database,omitzero"`
	Verified    *verifiedReport  `json:"verified,omitzero"`
	NotMeasured []string         `json:"not_measured,omitempty"`
}

// scenarioReport is one kind of call.
type scenarioReport struct {
	Name              string         `json:"name"`
	Connections       int            `json:"connections"`
	Seconds           float64        `json:"seconds"`
	Requests          int            `json:"requests"` // answered with 200
	RequestsPerSecond float64        `json:"requests_per_second"`
	Sessions          int            `json:"sessions,omitzero"` // handed in
	SessionsPerSecond float64        `json:"sessions_per_second,omitzero"`
	History           float64        `json:"evenings_before_on_average,omitzero"`
	Latency           latencyReport  `json:"latency_ms"`
	Errors            map[string]int `json:"errors"`           // calls given up, by kind
	Again             map[string]int `json:"made_again"`       // calls that had to be, by kind
	LongestWait       float64        `json:"longest_wait_ms"`  // for one call, through all that was tried
	LongestStall      float64        `json:"longest_stall_ms"` // in which no call was answered at all
	OctetsSent        int64          `json:"octets_sent"`
	OctetsReceived    int64          `json:"octets_received"`
	Claimed           int            `json:"claimed,omitzero"`
	CPUSeconds        float64        `json:"server_cpu_seconds,omitzero"` // user and system
	CPUPerThousand    float64        `json:"server_cpu_seconds_per_1000_requests,omitzero"`
	PeakResident      int64          `json:"server_resident_octets_at_peak,omitzero"`
}

// latencyReport is exact: every latency is kept.
type latencyReport struct {
	P50  float64 `json:"p50"`
	P99  float64 `json:"p99"`
	P999 float64 `json:"p99_9"`
	Max  float64 `json:"max"`
}

// databaseReport is what an evening takes of the database.
type databaseReport struct {
	Evenings         int          `json:"evenings"`
	OctetsPerEvening float64      `json:"octets_per_evening"`
	Parts            []partReport `json:"parts"` // from the largest
}

type partReport struct {
	Name             string  `json:"name"` // a table or an index
	OctetsPerEvening float64 `json:"octets_per_evening"`
}

// verifiedReport is whether what was acknowledged is there.
type verifiedReport struct {
	Families     int `json:"families"` // whose whole record was read
	Unread       int `json:"unread"`
	Acknowledged int `json:"acknowledged"` // entries
	Missing      int `json:"missing"`
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// scenarioOf puts a measurement into the report's form.
func scenarioOf(m *load.Measured, used usage, told bool) scenarioReport {
	n := len(m.Latencies)
	r := scenarioReport{
		Name: m.Name, Connections: m.Connections, Seconds: m.Took.Seconds(), Requests: n, RequestsPerSecond: m.PerSecond(n),
		Sessions: m.Evenings, SessionsPerSecond: m.PerSecond(m.Evenings), History: m.History,
		Latency: latencyReport{
			P50: milliseconds(m.Quantile(0.5)), P99: milliseconds(m.Quantile(0.99)), P999: milliseconds(m.Quantile(0.999)),
			Max: milliseconds(m.Quantile(1)),
		},
		Errors: m.Errors, Again: m.Again, LongestWait: milliseconds(m.Waited), LongestStall: milliseconds(m.Stalled),
		OctetsSent: m.Sent, OctetsReceived: m.Received,
	}
	if told {
		r.CPUSeconds, r.PeakResident = used.cpu.Seconds(), used.resident
		if n > 0 {
			r.CPUPerThousand = 1000 * r.CPUSeconds / float64(n)
		}
	}
	return r
}

// databaseOf works out what an evening takes from the sizes before and after.
func databaseOf(before, after databaseSize, evenings int) *databaseReport {
	if evenings == 0 {
		return nil
	}
	d := &databaseReport{Evenings: evenings, OctetsPerEvening: float64(after.octets-before.octets) / float64(evenings)}
	for name, octets := range after.parts {
		if grown := octets - before.parts[name]; grown != 0 {
			d.Parts = append(d.Parts, partReport{Name: name, OctetsPerEvening: float64(grown) / float64(evenings)})
		}
	}
	slices.SortFunc(d.Parts, func(a, b partReport) int {
		return cmp.Or(cmp.Compare(b.OctetsPerEvening, a.OctetsPerEvening), strings.Compare(a.Name, b.Name))
	})
	return d
}

// fault says what of a load is not as it must be; nil where all is well.
func (r *loadReport) fault() error {
	failed := 0
	for i := range r.Scenarios {
		failed += sumOf(r.Scenarios[i].Errors)
	}
	switch v := r.Verified; {
	case v != nil && v.Missing > 0:
		return fmt.Errorf("%d acknowledged entries are missing", v.Missing)
	case r.Stopped:
		return errStopped
	case v != nil && v.Unread > 0:
		return fmt.Errorf("the records of %d families could not be read", v.Unread)
	case failed > 0:
		return fmt.Errorf("%d calls were given up", failed)
	}
	return nil
}

// write writes the report for people.
func (r *loadReport) write(out io.Writer) error {
	fmt.Fprintf(out, "%d families, all of them invented.", r.Households)
	if r.AtRest > 0 {
		fmt.Fprintf(out, " The server at rest has %.1f MiB in memory.", mebi(r.AtRest))
	}
	fmt.Fprint(out, "\n\n")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "\tlines\tcalls\ta second\tsessions/s\tp50 ms\tp99 ms\tp99.9 ms\tmax ms\tgiven up\tagain\tsent kB\tgot kB\tCPU s\tCPU s/1,000\tpeak MiB\t")
	for i := range r.Scenarios {
		s := &r.Scenarios[i]
		fmt.Fprintf(w, "%s\t%d\t%d\t%.0f\t%s\t%.1f\t%.1f\t%.1f\t%.1f\t%d\t%d\t%.0f\t%.0f\t%s\t%s\t%s\t\n",
			s.Name, s.Connections, s.Requests, s.RequestsPerSecond, orDash("%.0f", s.SessionsPerSecond),
			s.Latency.P50, s.Latency.P99, s.Latency.P999, s.Latency.Max, sumOf(s.Errors), sumOf(s.Again),
			float64(s.OctetsSent)/1000, float64(s.OctetsReceived)/1000,
			orDash("%.2f", s.CPUSeconds), orDash("%.2f", s.CPUPerThousand), orDash("%.1f", mebi(s.PeakResident)))
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	r.writeErrors(out)
	if err := r.writeDatabase(out); err != nil {
		return err
	}
	for _, what := range r.NotMeasured {
		fmt.Fprintf(out, "\nNot measured: %s.\n", what)
	}
	if v := r.Verified; v != nil {
		fmt.Fprintf(out, "\nOf %d families, all that hold anything, %d entries had been acknowledged: %d missing.\n",
			v.Families+v.Unread, v.Acknowledged, v.Missing)
	}
	return nil
}

func mebi(octets int64) float64 { return float64(octets) / (1 << 20) }

// orDash writes a figure, or a dash where there is none.
func orDash(format string, figure float64) string {
	if figure == 0 {
		return "-"
	}
	return fmt.Sprintf(format, figure)
}

func sumOf(counts map[string]int) (sum int) {
	for _, n := range counts {
		sum += n
	}
	return sum
}

func (r *loadReport) writeErrors(out io.Writer) {
	for i := range r.Scenarios {
		s := &r.Scenarios[i]
		for _, kind := range slices.Sorted(maps.Keys(s.Errors)) {
			fmt.Fprintf(out, "\n%s: %d calls were given up: %s\n", s.Name, s.Errors[kind], kind)
		}
		for _, kind := range slices.Sorted(maps.Keys(s.Again)) {
			fmt.Fprintf(out, "\n%s: %d calls had to be made again: %s\n", s.Name, s.Again[kind], kind)
		}
		if len(s.Again) > 0 {
			fmt.Fprintf(out, "\n%s: the longest that anybody waited for one call was %.1f s, the longest time without any answer %.1f s.\n",
				s.Name, s.LongestWait/1000, s.LongestStall/1000)
		}
		if s.History > 0 {
			fmt.Fprintf(out, "\n%s: a household held %.1f evenings on average when it handed in another.\n", s.Name, s.History)
		}
		if s.Claimed > 0 {
			fmt.Fprintf(out, "\n%s: %d reminders were claimed.\n", s.Name, s.Claimed)
		}
	}
}

func (r *loadReport) writeDatabase(out io.Writer) error {
	if r.Database == nil {
		return nil
	}
	fmt.Fprintf(out, "\nAn evening takes %.0f octets of the database, in whole pages (%d evenings):\n\n", r.Database.OctetsPerEvening, r.Database.Evenings)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	for _, p := range r.Database.Parts {
		fmt.Fprintf(w, "%s\t%.0f\t\n", p.Name, p.OctetsPerEvening)
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	return nil
}
