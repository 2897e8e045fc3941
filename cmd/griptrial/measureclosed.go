package main

import (
	"io"
	"math"

	"griptrial/acquire/csvfile"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/report"
)

// inRecording says in which recording of a table something went wrong.
func inRecording(file *csvfile.File, r csvfile.Recording, err error) error {
	name := file.Name
	if r.Group != "" {
		name += ", group " + r.Group
	}
	return wrongf("%s: %w", name, err)
}

func measureClosed(w io.Writer, file *csvfile.File, set pick.Settings, required float64, out report.PicksJSON, o *measureOptions) error {
	from, to, err := stretch(o.closed)
	if err != nil {
		return err
	}
	for _, r := range file.Recordings {
		l, err := pick.FindLeakDown(r.Groups[0], r.Batches(), from, to, set.VolumeL)
		if err != nil {
			return inRecording(file, r, err)
		}
		out.LeakDowns = append(out.LeakDowns, report.LeakDown(l, r.Group, l.AtRequired(required, set.VolumeL, set.VolumeUL, 0)))
	}
	if o.json {
		return report.WriteJSON(w, out)
	}
	return report.LeakDowns(w, out.LeakDowns)
}

// measureVolume finds the volume of circuits that fill through a known orifice.
func measureVolume(w io.Writer, file *csvfile.File, ambientKPa float64, o *measureOptions) error {
	from, to, err := stretch(o.closed)
	if err != nil {
		return err
	}
	if math.IsNaN(ambientKPa) {
		return wrongf(`--orifice: --ambient is missing: the pressure of the air that it lets in, such as "1013 hPa"`)
	}
	var q quantities
	orifice := pick.Orifice{C: q.positive("orifice", config.Conductance, o.orifice, math.NaN()),
		CU: q.positive("orifice-u", config.Conductance, o.orificeU, 0), B: o.criticalRatio}
	if q.err != nil {
		return q.err
	}
	if !(orifice.B >= 0 && orifice.B < 1) {
		return wrongf("--critical-ratio: found %g; 0 to below 1 is allowed", orifice.B)
	}
	var all []report.VolumeJSON
	for _, r := range file.Recordings {
		run, err := pick.FindVolume(r.Groups[0], r.Batches(), from, to, orifice, ambientKPa, 0)
		if err != nil {
			return inRecording(file, r, err)
		}
		all = append(all, report.Volume(run, r.Group))
	}
	return report.Volumes(w, all, o.json)
}

// measureGrips reads packs that were presented and held still.
func measureGrips(w io.Writer, file *csvfile.File, set pick.Settings, aboveKPa float64, out report.PicksJSON, o *measureOptions) error {
	grips := []report.GripJSON{}
	for _, r := range file.Recordings {
		all, err := pick.FindGrips(r.Groups[0], r.Batches(), pick.GripOptions{AboveKPa: aboveKPa, PersistS: set.PersistS, VolumeL: set.VolumeL})
		if err != nil {
			return inRecording(file, r, err)
		}
		for i, g := range all {
			grips = append(grips, report.Grip(g, r.Group, i+1))
		}
	}
	if o.json {
		return report.WriteJSON(w, report.GripsJSON{Schema: report.Schema, Station: out.Station, AmbientKPa: out.AmbientKPa, Sampling: out.Sampling, Grips: grips})
	}
	return report.Grips(w, file.Name, grips)
}
