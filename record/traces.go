package record

import (
	"iter"
	"math"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// Traces returns the vacuum of every pick as the means of n equal parts of its time, in
// kPa, NaN where a part has no sample; nil for a pick whose beginning or end is not known.
// picks are in the order of time at each station.
func Traces(batches iter.Seq2[sample.Batch, error], groups []sample.Group, picks []pick.Pick, n int) ([][]float64, error) {
	traces := make([][]float64, len(picks))
	counts := make([][]int, len(picks))
	todo := map[string][]int{} // indices of the station's picks not passed yet
	for i, p := range picks {
		if from, to := Stretch(p); to > from {
			traces[i], counts[i] = make([]float64, n), make([]int, n)
			todo[p.Station] = append(todo[p.Station], i)
		}
	}
	for b, err := range batches {
		if err != nil {
			return nil, err
		}
		for c := range b.Counts {
			ch := &groups[b.Group].Channels[c]
			if ch.Kind != sample.Vacuum {
				continue
			}
			left := todo[ch.Station]
			for j, count := range b.Counts[c] {
				t := float64(b.T[j]) / 1e9
				for len(left) > 0 && picks[left[0]].EndS < t {
					left = left[1:]
				}
				if len(left) == 0 {
					break
				}
				i := left[0]
				from, to := Stretch(picks[i])
				if k := int((t - from) / (to - from) * float64(n)); t >= from && count != sample.Missing {
					k = min(k, n-1)
					traces[i][k] += ch.Value(count)
					counts[i][k]++
				}
			}
			todo[ch.Station] = left
		}
	}
	for i := range traces {
		for k := range traces[i] {
			if counts[i][k] == 0 {
				traces[i][k] = math.NaN()
			} else {
				traces[i][k] /= float64(counts[i][k])
			}
		}
	}
	return traces, nil
}

// Stretch returns the time that a pick's trace covers, in s of the trial.
func Stretch(p pick.Pick) (from, to float64) {
	for _, from = range []float64{p.StartS, p.ContactS, p.SealedAtS} {
		if !math.IsNaN(from) {
			break
		}
	}
	return from, p.EndS
}
