package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// Pairs writes the picks of two stations that belong together, as a table or as JSON.
func Pairs(w io.Writer, a, b []Row, p pick.Pairs, asJSON bool) error {
	if asJSON {
		type pair struct {
			Run    int            `json:"run,omitempty"`
			A      int            `json:"a"`
			B      int            `json:"b"`
			ApartS analyze.Number `json:"apart_s"`
		}
		out := struct {
			Schema int            `json:"schema"`
			A      string         `json:"station_a"`
			B      string         `json:"station_b"`
			CycleS analyze.Number `json:"cycle_s"`
			Pairs  []pair         `json:"pairs"`
			OnlyA  []int          `json:"only_a"`
			OnlyB  []int          `json:"only_b"`
		}{Schema: Schema, A: name(a), B: name(b), CycleS: analyze.Number(p.CycleS), Pairs: []pair{}, OnlyA: numbers(a, p.OnlyA), OnlyB: numbers(b, p.OnlyB)}
		for _, x := range p.Both {
			i, j := &a[x[0]], &b[x[1]]
			out.Pairs = append(out.Pairs, pair{i.Run, i.N, j.N, analyze.Number(j.StartS - i.StartS)})
		}
		return WriteJSON(w, out)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "start s\tapart ms\t%s\t\tseal ms\thold kPa\t%s\t\tseal ms\thold kPa\n", name(a), name(b))
	for _, x := range p.Both {
		i, j := &a[x[0]], &b[x[1]]
		fmt.Fprintf(t, "%s\t%+.0f\t%d\t%s\t%s\t%s\t%d\t%s\t%s\t%s\n", instant(i.StartS), 1e3*(j.StartS-i.StartS),
			i.N, outcome(i.Pick), Digits(i.SealTimeS, 1e3), Digits(i.HoldVacuumKPa, 1), j.N, outcome(j.Pick), Digits(j.SealTimeS, 1e3), Digits(j.HoldVacuumKPa, 1))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	cycle := ""
	if !math.IsNaN(p.CycleS) && !math.IsInf(p.CycleS, 0) {
		cycle = fmt.Sprintf(", starts less than %.0f ms apart (half a cycle)", 500*p.CycleS)
	}
	_, err := fmt.Fprintf(w, "%s\n\n%d pairs%s\n%s\n%s\n", plusMinus, len(p.Both), cycle, alone(a, p.OnlyA), alone(b, p.OnlyB))
	return err
}

func name(rows []Row) string {
	if len(rows) == 0 {
		return ""
	}
	return rows[0].Station
}

func numbers(rows []Row, at []int) []int {
	n := make([]int, len(at))
	for i, x := range at {
		n[i] = rows[x].N
	}
	return n
}

// alone lists picks without a partner.
func alone(rows []Row, at []int) string {
	if len(at) == 0 {
		return name(rows) + ": every pick has its partner"
	}
	var s []string
	for _, n := range numbers(rows, at) {
		s = append(s, fmt.Sprint(n))
	}
	return name(rows) + ": without a partner " + strings.Join(s, ", ")
}
