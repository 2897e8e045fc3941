package csvfile

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// write writes f so that reading it gives the same counts. Its columns are in kPa, or
// switched.
func write(f *File) string {
	var b strings.Builder
	b.WriteString("g\ttime_s")
	var places []int // decimal places of each column
	for _, c := range f.Recordings[0].Groups[0].Channels {
		b.WriteString("\t" + string(c.Kind))
		places = append(places, -int(math.Round(math.Log10(math.Abs(c.Scale)))))
	}
	b.WriteString("\n")
	for i := range f.Recordings {
		for batch := range f.Recordings[i].Batches() {
			for j, ns := range batch.T {
				fmt.Fprintf(&b, "%d\t", i)
				if f.UTC.IsZero() {
					fmt.Fprintf(&b, "%de-9", ns)
				} else {
					b.WriteString(f.UTC.Add(time.Duration(ns)).Format(time.RFC3339Nano))
				}
				for c, counts := range batch.Counts {
					b.WriteString("\t" + cell(counts[j], places[c]))
				}
				b.WriteString("\n")
			}
		}
	}
	return b.String()
}

// cell writes n / 10^places.
func cell(n int64, places int) string {
	if n == sample.Missing {
		return ""
	}
	if places < 0 || places > maxPlain {
		return fmt.Sprintf("%de%d", n, -places)
	}
	sign, u := "", n
	if n < 0 {
		sign, u = "-", -n
	}
	digits := fmt.Sprintf("%0*d", places+1, u)
	if places == 0 {
		return sign + digits
	}
	return sign + digits[:len(digits)-places] + "." + digits[len(digits)-places:]
}

func FuzzRead(f *testing.F) {
	files, err := filepath.Glob(recordings + "*/*.csv")
	require.NoError(f, err)
	require.Len(f, files, 7)
	for _, name := range files {
		text, err := os.ReadFile(name)
		require.NoError(f, err)
		text = text[:min(len(text), 1500)]
		text = text[:bytes.LastIndexByte(text, '\n')+1]
		text = bytes.Replace(text, []byte("pressure_abs_hPa"), []byte("v"), 1)
		text = bytes.Replace(text, []byte("pressure_bar"), []byte("v"), 1)
		text = bytes.Replace(text, []byte("sensor_V"), []byte("s"), 1)
		text = bytes.Replace(text, []byte("recording"), []byte("s"), 1)
		for mode := range byte(16) {
			f.Add(text, mode)
		}
	}
	for _, s := range []string{
		"\ufeff# x\r\ntime_s;v;s\r\n1,5;2e-3;on\r\n1,6;;off\r\n",
		"time_s\tv\ts\n2026-03-02T06:30:00.5Z\t1\t0\n2026-03-02T06:30:00Z\t1e300\t1\n",
		"time_s,v,s\n-1,1e-20,1\n0,1e20,-1\n1,123456.7890123456789,nan\n",
		"time_s,v,s\n1,0.00,\n1,0e-40,\n2,0,\n",
	} {
		for mode := range byte(16) {
			f.Add([]byte(s), mode)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte, mode byte) {
		o := Options{
			Time:       "time_s",
			Columns:    []Column{{Name: "v", Kind: sample.Vacuum, Unit: "kPa"}, {Name: "s", Kind: sample.Supply, OnAbove: math.NaN()}},
			Sort:       mode&1 != 0,
			Sign:       Positive,
			AmbientKPa: 101.325,
			EitherSide: mode&4 == 0,
		}
		if mode&2 != 0 {
			o.Group = "s"
		}
		if mode&8 != 0 {
			o.Sign = Absolute
			o.AmbientKPa = math.NaN()
		}
		got, err := Read(bytes.NewReader(text), "in.csv", o)
		if err != nil {
			require.Nil(t, got)
			require.NotContains(t, err.Error(), "\n")
			require.True(t, strings.HasPrefix(err.Error(), "in.csv:"), "%q", err)
			return
		}
		o.Columns[0].Name, o.Columns[1].Name, o.Group = "vacuum", "supply", "g"
		o.Sort = false // times increase by now
		for i := range got.Recordings {
			if got.Recordings[i].EqualTimes > 0 { // a row left out may have set the decimal places
				got, err = Read(strings.NewReader(write(got)), "kept.csv", o)
				require.NoError(t, err)
				break
			}
		}
		written := write(got)
		again, err := Read(strings.NewReader(written), "out.csv", o)
		require.NoError(t, err, written)
		require.Len(t, again.Recordings, len(got.Recordings))
		require.Equal(t, got.UTC, again.UTC)
		require.InDelta(t, nanAs0(got.AmbientKPa), nanAs0(again.AmbientKPa), 0)
		for i := range got.Recordings {
			a, b := &got.Recordings[i], &again.Recordings[i]
			require.Equal(t, a.pieces, b.pieces, written)
			for c := range a.Groups[0].Channels {
				x, y := a.Groups[0].Channels[c], b.Groups[0].Channels[c]
				require.Equal(t, x.Scale, y.Scale)
				require.Equal(t, x.Resolution, y.Resolution)
				require.GreaterOrEqual(t, x.Resolution, math.Abs(x.Scale))
				require.Equal(t, nanAs0(x.OnAbove), nanAs0(y.OnAbove))
			}
			for _, p := range a.pieces {
				for j := 1; j < len(p.t); j++ {
					require.Less(t, p.t[j-1], p.t[j])
				}
			}
		}
	})
}

func nanAs0(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// A table of 40 picks a minute at 1 kHz: time, vacuum, flow and supply.
func BenchmarkRead(b *testing.B) {
	var in bytes.Buffer
	in.WriteString("time_s,vacuum_kPa,q,supply\n")
	for i := range 200_000 {
		on := i%1500 < 1000
		v, s := 0.02*float64(i%3), 0
		if on {
			v, s = 45*(1-math.Exp(-float64(i%1500)/80))+0.02*float64(i%5), 1
		}
		fmt.Fprintf(&in, "%.3f,%.2f,%.1f,%d\n", float64(i)/1000, v, 50-v, s)
	}
	o := Options{Time: "time_s", Columns: columns(b, "vacuum vacuum_kPa[kPa]", "flow q[L/min ANR]", "supply supply"), AmbientKPa: math.NaN()}
	b.SetBytes(int64(in.Len()))
	b.ReportAllocs()
	for b.Loop() {
		f, err := Read(bytes.NewReader(in.Bytes()), "x", o)
		if err != nil || f.Recordings[0].Scans() != 200_000 {
			b.Fatal(err)
		}
	}
}
