package config

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
)

// A LeakRow is a leak measured in one run. Numbers that the file does not state are NaN.
type LeakRow struct {
	Setting                string // rows with the same setting are runs of it; "" where the file has no such column
	VacuumKPa, FlowLminANR float64
	VacuumU, FlowU         float64 // standard uncertainties
}

// LoadLeakPoints reads the table of leak points at path. See ParseLeakPoints.
func LoadLeakPoints(path string) ([]LeakRow, error) {
	text, err := load(path)
	if err != nil {
		return nil, err
	}
	return ParseLeakPoints(path, text)
}

// ParseLeakPoints reads a table with the columns vacuum_kPa and flow_Lmin (L/min ANR), and, as
// far as known, vacuum_u_kPa, flow_u_Lmin and setting, between commas. Lines that begin with #
// are remarks. The error is Faults, everything wrong in file order.
func ParseLeakPoints(name string, text []byte) ([]LeakRow, error) {
	f := &file{name: name}
	fault := func(line, column int, format string, args ...any) {
		f.faults = append(f.faults, Fault{name, line, column, "", fmt.Sprintf(format, args...)})
	}
	if len(text) > maxTextBytes {
		fault(1, 1, "the file is larger than %d KiB", maxTextBytes>>10)
		return nil, f.faults.asError()
	}
	r := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(text), "\ufeff")))
	r.Comment, r.FieldsPerRecord, r.TrimLeadingSpace = '#', -1, true
	known := []string{"vacuum_kPa", "flow_Lmin", "vacuum_u_kPa", "flow_u_Lmin", "setting"}
	var head []string
	var rows []LeakRow
	for {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var bad *csv.ParseError
		if errors.As(err, &bad) {
			fault(bad.Line, max(bad.Column, 1), "%v", bad.Err)
			break
		}
		if err != nil {
			return nil, err
		}
		if head == nil {
			for i, h := range fields {
				h = strings.TrimSpace(h)
				line, column := r.FieldPos(i)
				switch {
				case !slices.Contains(known, h):
					fault(line, column, "column %s is unknown%s; want %s", quote(h), didYouMean(h, known), either(known))
				case slices.Contains(head, h):
					fault(line, column, "column %s is there twice", h)
				}
				head = append(head, h)
			}
			for _, need := range known[:2] {
				if !slices.Contains(head, need) {
					fault(1, 1, "column %s is missing; want vacuum_kPa,flow_Lmin", need)
				}
			}
			if f.faults != nil {
				break
			}
			continue
		}
		if line, _ := r.FieldPos(0); len(fields) != len(head) {
			fault(line, 1, "found %d fields; want %d as in the first line", len(fields), len(head))
			continue
		}
		row := LeakRow{VacuumU: math.NaN(), FlowU: math.NaN()}
		for i, text := range fields {
			text = strings.TrimSpace(text)
			line, column := r.FieldPos(i)
			if head[i] == "setting" {
				row.Setting = text
				continue
			}
			uncertainty := strings.Contains(head[i], "_u_")
			if text == "" && uncertainty {
				continue
			}
			x, err := parseDecimal(text)
			if err != nil || !(x > 0) || math.IsInf(x, 0) {
				fault(line, column, "%s: found %s; want a number more than 0", head[i], quote(text))
				continue
			}
			*map[string]*float64{"vacuum_kPa": &row.VacuumKPa, "flow_Lmin": &row.FlowLminANR, "vacuum_u_kPa": &row.VacuumU, "flow_u_Lmin": &row.FlowU}[head[i]] = x
		}
		rows = append(rows, row)
	}
	if f.faults == nil && len(rows) == 0 {
		fault(1, 1, "no leak point; want the columns vacuum_kPa,flow_Lmin and at least one row")
	}
	if err := f.faults.asError(); err != nil {
		return nil, err
	}
	return rows, nil
}
