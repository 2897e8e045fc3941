package report

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// A GripsJSON is grip readings as JSON.
type GripsJSON struct {
	Schema     int            `json:"schema"`
	Station    string         `json:"station"`
	AmbientKPa analyze.Number `json:"ambient_kPa"`
	Sampling   *SamplingJSON  `json:"sampling"`
	Grips      []GripJSON     `json:"grips"`
}

// A GripJSON is one grip reading.
type GripJSON struct {
	Group         *string        `json:"group"`
	N             int            `json:"n"` // from 1, in its recording
	FromS         analyze.Number `json:"from_s"`
	SettledS      analyze.Number `json:"settled_s"`
	ToS           analyze.Number `json:"to_s"`
	BeforeKPa     analyze.Number `json:"before_kPa"`
	PlateauKPa    analyze.Figure `json:"plateau_kPa"`
	SettlingTimeS analyze.Figure `json:"settling_time_s"`
	SlopeKPaS     analyze.Figure `json:"slope_kPa_s"`
	LeakLmin      analyze.Figure `json:"leak_flow_Lmin"`
}

// Grip returns the JSON of grip n of a recording.
func Grip(g pick.Grip, group string, n int) GripJSON {
	return GripJSON{Group: text(group), N: n, FromS: analyze.Number(g.FromS), SettledS: analyze.Number(g.SettledS), ToS: analyze.Number(g.ToS),
		BeforeKPa: analyze.Number(g.BeforeKPa), PlateauKPa: g.PlateauKPa, SettlingTimeS: g.SettlingTimeS, SlopeKPaS: g.SlopeKPaS, LeakLmin: g.LeakLminANR}
}

// Grips writes a table of grips, one a line.
func Grips(w io.Writer, name string, all []GripJSON) error {
	fmt.Fprintf(w, "%s\n\n", name)
	if len(all) == 0 {
		_, err := fmt.Fprintln(w, "no grip: the vacuum nowhere stayed above the level that a grip exceeds; --require sets it")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "group\tgrip\tfrom s\tto s\tplateau kPa\tsettling ms\tslope kPa/s\tleak L/min ANR\tremarks")
	for _, g := range all {
		group := "–"
		if g.Group != nil {
			group = *g.Group
		}
		var remarks []string
		for _, x := range g.PlateauKPa.Warnings {
			remarks = append(remarks, x.String())
		}
		fmt.Fprintln(t, strings.TrimRight(fmt.Sprintf("%s\t%d\t%s\t%.3f\t%s\t%s\t%s\t%s\t%s", group, g.N, instant(float64(g.FromS)), float64(g.ToS),
			Digits(g.PlateauKPa, 1), Digits(g.SettlingTimeS, 1e3), Digits(g.SlopeKPaS, 1), Digits(g.LeakLmin, 1), strings.Join(remarks, ", ")), "\t"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "\nPlateau: the longest stretch that stays within max(0.5 kPa, 4σ) of its middle. Settling: from the level before to there. "+plusMinus+".")
	return err
}

// A VolumeJSON is the volume of a circuit, found by an orifice.
type VolumeJSON struct {
	Group   *string        `json:"group"`
	FromS   analyze.Number `json:"from_s"`
	ToS     analyze.Number `json:"to_s"`
	VolumeL analyze.Figure `json:"volume_L"`
}

// Volume returns the JSON of a volume run.
func Volume(v pick.VolumeRun, group string) VolumeJSON {
	return VolumeJSON{text(group), analyze.Number(v.FromS), analyze.Number(v.ToS), v.VolumeL}
}

// Volumes writes volumes, one a line.
func Volumes(w io.Writer, all []VolumeJSON, asJSON bool) error {
	if asJSON {
		return WriteJSON(w, struct {
			Schema  int          `json:"schema"`
			Volumes []VolumeJSON `json:"volumes"`
		}{Schema, all})
	}
	for _, v := range all {
		if v.Group != nil {
			fmt.Fprintf(w, "%s: ", *v.Group)
		}
		fmt.Fprintf(w, "volume %s L, 95 %% within %.4g to %.4g, from %.1f s to %.1f s", Digits(v.VolumeL, 1), v.VolumeL.Lo, v.VolumeL.Hi, float64(v.FromS), float64(v.ToS))
		for _, x := range v.VolumeL.Warnings {
			fmt.Fprintf(w, "; %v", x)
		}
		if _, err := fmt.Fprintln(w); err != nil {
			return err
		}
	}
	return nil
}
