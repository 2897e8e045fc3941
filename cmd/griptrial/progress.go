package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/record"
)

// A progress shows a recording as it goes: a bar on a terminal, else a line a run.
type progress struct {
	w     io.Writer
	rig   *config.Rig
	plan  *record.Plan
	bar   *progressbar.ProgressBar // nil where there is no terminal or nothing planned
	picks []pick.Pick
	run   int
	rests map[string]int // by station: the last run of which it was told that it should rest

	groups []sample.Group
	out    map[int]int64 // groups of which it was told that they give nothing, since when
	told   map[int]int64 // when that was told last
}

// tellEvery is how often it is told, at most, that one group gives nothing: on a bad line
// single answers are lost all the time.
const tellEvery = int64(time.Minute)

func newProgress(w io.Writer, rig *config.Rig, plan *record.Plan, groups []sample.Group) *progress {
	p := &progress{w: w, rig: rig, plan: plan, groups: groups, rests: map[string]int{}, out: map[int]int64{}, told: map[int]int64{}}
	n := 0
	for _, s := range rig.Stations {
		n += plan.Picks(s.Name, plan.Runs())
	}
	if n > 0 && isTerminal(w) {
		p.bar = progressbar.NewOptions(n, progressbar.OptionSetWriter(w), progressbar.OptionSetDescription("picks"),
			progressbar.OptionShowCount(), progressbar.OptionSetWidth(30), progressbar.OptionSetPredictTime(true),
			progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
	}
	return p
}

func (p *progress) committed(x record.Progress) {
	p.picks = append(p.picks, x.Judged.Picks...)
	if x.Run != p.run {
		p.run = x.Run
		if x.Run == 0 {
			p.line("no run in progress")
			return
		}
		var on []string
		r := p.plan.Trial().Runs[x.Run-1]
		for _, s := range p.rig.Stations {
			if name := r.Setups[s.Name]; name != "" {
				on = append(on, s.Name+": "+name)
			}
		}
		p.line(fmt.Sprintf("run %d of %d, piece %s · %s", x.Run, p.plan.Runs(), r.Piece, strings.Join(on, " · ")))
	}
	for i, s := range p.rig.Stations {
		if x.Run < 1 || x.Run > p.plan.Runs() || p.plan.ByOperator() || p.plan.Trial().Runs[x.Run-1].Setups[s.Name] != "" {
			continue
		}
		if x.Begun[i] > p.plan.Picks(s.Name, x.Run) && p.rests[s.Name] < x.Run {
			p.rests[s.Name] = x.Run
			p.line(fmt.Sprintf("station %s should rest in run %d, and picks: that counts for its next run (--operator leaves such picks out)", s.Name, x.Run))
		}
	}
	p.outages(x.Batches)
	if p.bar != nil {
		p.bar.Set(len(p.picks))
	}
}

// outages tells when a group gives nothing any more and when it is back.
func (p *progress) outages(batches []sample.Batch) {
	for _, b := range batches {
		since, out := p.out[b.Group]
		last, before := p.told[b.Group]
		switch {
		case b.Fault != "" && !out && (!before || b.FaultNS-last >= tellEvery):
			p.out[b.Group], p.told[b.Group] = b.FaultNS, b.FaultNS
			p.line(fmt.Sprintf("%s: %s", p.groups[b.Group].Name, b.Fault))
		case len(b.T) > 0 && out:
			delete(p.out, b.Group)
			p.line(fmt.Sprintf("%s: back after %s", p.groups[b.Group].Name, time.Duration(b.T[0]-since).Round(10*time.Millisecond)))
		}
	}
}

// line writes a line above the bar.
func (p *progress) line(s string) {
	if p.bar != nil {
		p.bar.Clear()
	}
	fmt.Fprintln(p.w, s)
}

func (p *progress) end() {
	if p.bar != nil {
		p.bar.Finish()
	}
}
