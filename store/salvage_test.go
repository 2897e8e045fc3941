package store

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// salvage recovers path, requires the result to be whole, and returns its batches.
func salvage(t *testing.T, path string) (Salvage, []sample.Batch, *Trial) {
	t.Helper()
	into := filepath.Join(t.TempDir(), "salvaged.gtrial")
	before := contents(t, path)
	s, err := Recover(path, into)
	require.NoError(t, err)
	assert.Equal(t, before, contents(t, path), "the damaged file must stay as it is")
	requireWhole(t, into)
	trial, err := OpenRead(into)
	require.NoError(t, err)
	t.Cleanup(func() { trial.Close() })
	return s, readAll(t, trial), trial
}

func batchKeys(batches []sample.Batch) map[string]int {
	keys := map[string]int{}
	for _, b := range batches {
		if b.Fault != LostFault {
			keys[fmt.Sprint(b)]++
		}
	}
	return keys
}

// requireSubset requires every batch had to be one that was recorded, once.
func requireSubset(t *testing.T, all, had []sample.Batch) {
	t.Helper()
	recorded := batchKeys(all)
	for key, n := range batchKeys(had) {
		require.LessOrEqual(t, n, recorded[key], "a batch that was not recorded: %.120s", key)
	}
}

// From a whole file everything is had.
func TestSalvageWhole(t *testing.T) {
	path := smallTrial(t)
	whole, err := OpenRead(path)
	require.NoError(t, err)
	defer whole.Close()
	s, had, trial := salvage(t, path)
	assert.Equal(t, readAll(t, whole), had)
	assert.Zero(t, s.Missing)
	for name, n := range s.Lost {
		assert.Zero(t, n, name)
	}
	want, err := whole.Picks(1, "")
	require.NoError(t, err)
	got, err := trial.Picks(1, "")
	require.NoError(t, err)
	assert.Equal(t, fmt.Sprint(want), fmt.Sprint(got))
	runs, err := trial.Runs()
	require.NoError(t, err)
	assert.Equal(t, "b", runs[0].Setups["right"])
	sets, err := trial.Sets()
	require.NoError(t, err)
	assert.Equal(t, Salvaged+"live", sets[0].Why)
	wantNotes, err := whole.Notes()
	require.NoError(t, err)
	notes, err := trial.Notes()
	require.NoError(t, err)
	assert.Equal(t, wantNotes, notes[:len(notes)-1], "with the runs they belong to")
	assert.Contains(t, notes[len(notes)-1].Text, Salvaged)
	same := func(read func(*Trial) (any, error)) {
		t.Helper()
		want, err := read(whole)
		require.NoError(t, err)
		got, err := read(trial)
		require.NoError(t, err)
		requireSameBits(t, want, got)
		assert.NotEmpty(t, got)
	}
	same(func(t *Trial) (any, error) { return t.Spoiled() })
	same(func(t *Trial) (any, error) { return t.Clock() })
	same(func(t *Trial) (any, error) { return t.Lateness() })
	same(func(t *Trial) (any, error) { return t.BenchChecks() })
}

// Whatever is cut off or spoiled: what is had was recorded, what is lost is counted, and the
// new file is whole.
func TestSalvageDamaged(t *testing.T) {
	path := smallTrial(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	reader, err := OpenRead(path)
	require.NoError(t, err)
	all := readAll(t, reader)
	reader.Close()
	const page = 4096
	r := rand.New(rand.NewPCG(7, 7))
	cut := func(n int) []byte { return append([]byte{}, whole[:len(whole)-n]...) }
	damage := func(f func([]byte)) []byte { b := append([]byte{}, whole...); f(b); return b }
	tests := []struct {
		name   string
		file   []byte
		atMost int // batches lost
	}{
		{"last byte cut off", cut(1), len(all) / 2},
		{"last page cut off", cut(page), len(all) / 2},
		{"half a page cut off", cut(page / 2), len(all) / 2},
		{"half of it cut off", cut(len(whole) / 2), len(all)},
		{"first page gone", damage(func(b []byte) { clearBytes(b[:page]) }), 0},
		{"file header gone", damage(func(b []byte) { clearBytes(b[:100]) }), 0},
		{"every page's pointers spoiled", damage(func(b []byte) {
			for at := page; at+12 < len(b); at += page {
				if b[at] == 0x05 {
					clearBytes(b[at : at+12])
				}
			}
		}), 0},
		{"bit flips", damage(func(b []byte) {
			for range 5 {
				b[r.IntN(len(b))] ^= 1 << r.IntN(8)
			}
		}), len(all)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bad := filepath.Join(t.TempDir(), "bad.gtrial")
			require.NoError(t, os.WriteFile(bad, tt.file, 0o644))
			s, had, trial := salvage(t, bad)
			requireSubset(t, all, had)
			faults := 0
			for _, b := range had {
				if b.Fault == LostFault {
					faults++
				}
			}
			lost := len(all) - (len(had) - faults)
			assert.LessOrEqual(t, lost, tt.atMost)
			assert.LessOrEqual(t, s.Missing, int64(lost), "what is missing at the end cannot be counted")
			assert.EqualValues(t, len(had)-faults, s.Batches)
			_, err := trial.Picks(1, "")
			require.NoError(t, err)
			t.Logf("%d of %d batches lost, %d known to be missing, %d faults; lost rows %v", lost, len(all), s.Missing, faults, s.Lost)
		})
	}
}

func clearBytes(b []byte) {
	for i := range b {
		b[i] = 0
	}
}

// The header is there twice: one flipped byte in it costs nothing.
func TestSalvageWithoutHeader(t *testing.T) {
	path := smallTrial(t)
	p, err := openPages(path)
	require.NoError(t, err)
	spoiled, err := os.ReadFile(path)
	require.NoError(t, err)
	for n := int64(1); n <= p.count; n++ {
		b := p.read(n)
		// The table header has one row, on a leaf of its own.
		if b[0] != 0x0d {
			continue
		}
		at := int(b[8])<<8 | int(b[9])
		if values := p.cell(b[min(at, len(b)-1):], 0x0d); len(values) == len(headerTable.columns)+1 && values[1] == "0.1.0" {
			spoiled[(n-1)*p.size+int64(at)+40] ^= 1
		}
	}
	p.close()
	bad := filepath.Join(t.TempDir(), "bad.gtrial")
	require.NoError(t, os.WriteFile(bad, spoiled, 0o644))
	_, err = OpenRead(bad)
	require.ErrorIs(t, err, ErrDamaged)
	s, _, trial := salvage(t, bad)
	assert.Equal(t, "analyses", s.HeaderFrom)
	assert.Equal(t, header().RigText, trial.Header().RigText)
	assert.Zero(t, s.Missing)
}

// What is no trial file gives one clear error and leaves nothing behind.
func TestSalvageRefuses(t *testing.T) {
	dir := t.TempDir()
	for name, b := range map[string][]byte{"empty": nil, "text": []byte("hello"), "noise": make([]byte, 100_000)} {
		bad, into := filepath.Join(dir, name), filepath.Join(dir, name+".gtrial")
		require.NoError(t, os.WriteFile(bad, b, 0o644))
		_, err := Recover(bad, into)
		assert.ErrorIs(t, err, ErrNotTrial, name)
		assert.NoFileExists(t, into)
	}
	_, err := Recover(dir, filepath.Join(dir, "x.gtrial"))
	assert.ErrorIs(t, err, ErrNotTrial)
	_, err = Recover(smallTrial(t), filepath.Join(dir, "x.txt"))
	assert.ErrorContains(t, err, Ext)
}

func FuzzSalvage(f *testing.F) {
	f.Add([]byte("hello"), uint16(0))
	f.Fuzz(func(t *testing.T, b []byte, at uint16) {
		path := filepath.Join(t.TempDir(), "x")
		page := make([]byte, 8192)
		page[4096] = 0x0d
		page[4100] = 3
		copy(page[4096+int(at)%4000:], b)
		require.NoError(t, os.WriteFile(path, page, 0o644))
		_, err := Recover(path, filepath.Join(t.TempDir(), "y.gtrial"))
		require.Error(t, err)
	})
}
