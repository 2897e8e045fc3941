package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"

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
}

func newProgress(w io.Writer, rig *config.Rig, plan *record.Plan) *progress {
	p := &progress{w: w, rig: rig, plan: plan}
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
	if p.bar != nil {
		p.bar.Set(len(p.picks))
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
