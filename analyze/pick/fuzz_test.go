package pick

import (
	"math"
	"testing"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// FuzzTracker feeds signals that no rig makes: whatever comes, there is no panic, picks are
// numbered through, figures lie within their intervals, and neither the sizes of batches
// nor the quick path change what is found.
func FuzzTracker(f *testing.F) {
	f.Add([]byte("\x00\x10\x80\xff\x80\x10\x00"), byte(0), byte(3))
	f.Add([]byte("picks of bags and pouches, and what is left of them"), byte(0xff), byte(1))
	f.Add([]byte{0, 0, 0, 200, 200, 200, 200, 200, 200, 0, 0, 0, 255, 1, 255, 1, 90, 90, 90}, byte(0x5a), byte(2))
	f.Fuzz(func(t *testing.T, data []byte, mode, size byte) {
		kinds := []sample.Kind{sample.Vacuum, sample.Supply, sample.Release, sample.Touch, sample.Carried, sample.Flow, sample.Power}
		var chs []sample.Channel
		for i, k := range kinds {
			if i == 0 || mode>>i&1 == 1 {
				chs = append(chs, sample.Channel{Name: string(k), Kind: k, Scale: 0.5, OnAbove: 0.25, Resolution: 0.5,
					Accuracy: nan, IntervalS: 0.01, UpdateS: nan, LagS: nan})
			}
		}
		groups := []sample.Group{{Channels: chs}}
		// Bits 0 to 5 of a byte drive the vacuum, 6 and 7 switch; 255 is a fault, 254 a pause,
		// 253 a missing sample.
		var all []sample.Batch
		ns := int64(0)
		level := int64(0)
		on := make([]int64, len(chs))
		for _, x := range data {
			switch x {
			case 255:
				all = append(all, sample.Batch{Fault: "timeout", FaultNS: ns, Counts: make([][]int64, len(chs))})
				continue
			case 254:
				ns += 400_000_000
			}
			level += (int64(x&0x3f)*3 - level) / 2
			on[int(x>>3)%len(chs)] ^= int64(x >> 7)
			for range 4 {
				ns += 5_000_000 + int64(x&3)*3_000_000
				b := sample.Batch{T: []int64{ns}, Half: []int64{10_000}}
				for i, c := range chs {
					v := on[i]
					if !c.Kind.Switched() {
						v = level
					}
					if x == 253 && i == 0 {
						v = sample.Missing
					}
					b.Counts = append(b.Counts, []int64{v})
				}
				all = append(all, b)
			}
		}
		set := Settings{Station: "A", RequiredKPa: require30, SupplyOffHolds: mode&0x80 != 0, HandHeld: mode&0x40 != 0, VolumeL: 0.3}
		judge := func(careful bool, n int) []Pick {
			k, err := New(set, groups)
			if err != nil {
				t.Fatal(err)
			}
			k.careful = careful
			for i := 0; i < len(all); {
				b := all[i]
				i++
				for b.Fault == "" && i < len(all) && all[i].Fault == "" && len(b.T) < n {
					b = join(b, all[i])
					i++
				}
				k.Push(b)
			}
			k.Finish()
			p, _, _ := k.Take()
			return p
		}
		want := judge(false, 1)
		for i, p := range want {
			if p.N != i+1 || p.Outcome == "" {
				t.Fatalf("pick %d: %+v", i+1, p)
			}
			for _, f := range []analyze.Figure{p.ResponseDelayS, p.SealTimeS, p.HoldVacuumKPa, p.LowestVacuumKPa, p.LeakFlowLminANR,
				p.LeakDownKPaS, p.ReleaseTimeS, p.EnergyJ, p.ApproachJ, p.EvacuateJ, p.HoldJ, p.ReleaseJ, p.LeakDownVacuumKPa, p.LeakLawN,
				p.LeakLawKLminANR, p.LeakAtRequiredLminANR, p.ShutLastsS, p.ShutSavesJ, p.ReEvacuationsPerMin, p.DutyShare, p.PartPresentDelayS} {
				if f.OK() && !(f.Lo <= f.Value && f.Value <= f.Hi && f.U >= 0) || math.IsInf(f.Value, 0) {
					t.Fatalf("pick %d: %+v", i+1, f)
				}
			}
		}
		requireSame(t, want, judge(true, 1), "the careful path")
		// A channel that is dead for 2 s is not waited for; how long it is waited for in a piece
		// depends on the pieces. All channels come together here, so none is dead.
		requireSame(t, want, judge(false, int(size)+2), "batches of %d", int(size)+2)
	})
}

func join(a, b sample.Batch) sample.Batch {
	out := sample.Batch{T: append(append([]int64{}, a.T...), b.T...), Half: append(append([]int64{}, a.Half...), b.Half...)}
	for i := range a.Counts {
		out.Counts = append(out.Counts, append(append([]int64{}, a.Counts[i]...), b.Counts[i]...))
	}
	return out
}
