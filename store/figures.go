package store

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"slices"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// figureNames are the figures of a pick with their names. The place in this list, from 1, is
// the id of a figure in pick_figures.data: a new figure is appended, none is ever taken out.
var figureNames = []struct {
	name   string
	figure func(*pick.Pick) *analyze.Figure
}{
	{"response_delay_s", func(p *pick.Pick) *analyze.Figure { return &p.ResponseDelayS }},
	{"seal_time_s", func(p *pick.Pick) *analyze.Figure { return &p.SealTimeS }},
	{"hold_vacuum_kPa", func(p *pick.Pick) *analyze.Figure { return &p.HoldVacuumKPa }},
	{"lowest_vacuum_kPa", func(p *pick.Pick) *analyze.Figure { return &p.LowestVacuumKPa }},
	{"leak_flow_Lmin", func(p *pick.Pick) *analyze.Figure { return &p.LeakFlowLminANR }},
	{"leak_down_kPa_s", func(p *pick.Pick) *analyze.Figure { return &p.LeakDownKPaS }},
	{"release_time_s", func(p *pick.Pick) *analyze.Figure { return &p.ReleaseTimeS }},
	{"energy_J", func(p *pick.Pick) *analyze.Figure { return &p.EnergyJ }},
	{"energy_approach_J", func(p *pick.Pick) *analyze.Figure { return &p.ApproachJ }},
	{"energy_evacuate_J", func(p *pick.Pick) *analyze.Figure { return &p.EvacuateJ }},
	{"energy_hold_J", func(p *pick.Pick) *analyze.Figure { return &p.HoldJ }},
	{"energy_release_J", func(p *pick.Pick) *analyze.Figure { return &p.ReleaseJ }},
	{"leak_down_vacuum_kPa", func(p *pick.Pick) *analyze.Figure { return &p.LeakDownVacuumKPa }},
	{"leak_down_from_s", func(p *pick.Pick) *analyze.Figure { return &p.LeakDownFromS }},
	{"leak_down_to_s", func(p *pick.Pick) *analyze.Figure { return &p.LeakDownToS }},
	{"leak_law_k_Lmin", func(p *pick.Pick) *analyze.Figure { return &p.LeakLawKLminANR }},
	{"leak_law_n", func(p *pick.Pick) *analyze.Figure { return &p.LeakLawN }},
	{"leak_at_required_Lmin", func(p *pick.Pick) *analyze.Figure { return &p.LeakAtRequiredLminANR }},
	{"shut_lasts_s", func(p *pick.Pick) *analyze.Figure { return &p.ShutLastsS }},
	{"shut_saves_J", func(p *pick.Pick) *analyze.Figure { return &p.ShutSavesJ }},
	{"re_evacuations_per_min", func(p *pick.Pick) *analyze.Figure { return &p.ReEvacuationsPerMin }},
	{"duty", func(p *pick.Pick) *analyze.Figure { return &p.DutyShare }},
	{"part_present_delay_s", func(p *pick.Pick) *analyze.Figure { return &p.PartPresentDelayS }},
	{"open_suction_kPa", func(p *pick.Pick) *analyze.Figure { return &p.OpenSuctionKPa }},
	{"settling_time_s", func(p *pick.Pick) *analyze.Figure { return &p.SettlingTimeS }},
}

// figureAt is where each name stands in figureNames.
var figureAt = func() map[string]int {
	at := map[string]int{}
	for i, n := range figureNames {
		at[n.name] = i
	}
	return at
}()

// FigureNames returns the names of the figures of a pick, in the order of FORMAT.md.
func FigureNames() []string {
	names := make([]string, len(figureNames))
	for i, n := range figureNames {
		names[i] = n.name
	}
	return names
}

// Figures yields name and value of every figure of a pick, in the order of FORMAT.md.
func Figures(p *pick.Pick) iter.Seq2[string, analyze.Figure] {
	return func(yield func(string, analyze.Figure) bool) {
		for _, n := range figureNames {
			if !yield(n.name, *n.figure(p)) {
				return
			}
		}
	}
}

// Bits of the second byte of a figure in pick_figures.data: bit 1 << i says that the i-th of
// its four numbers is there, this one that it has warnings.
const warned = 1 << 4

// none reports whether f is what analyze.None() gives.
func none(f *analyze.Figure) bool {
	return !f.OK() && f.U != f.U && f.Lo != f.Lo && f.Hi != f.Hi && len(f.Warnings) == 0
}

// appendFigures appends the figures of a pick as pick_figures.data holds them. Those without
// a value or a warning take no room.
func appendFigures(b []byte, p *pick.Pick) ([]byte, error) {
	for i, n := range figureNames {
		f := n.figure(p)
		if none(f) {
			continue
		}
		b = append(b, byte(i+1), 0)
		bits := len(b) - 1
		b = appendNumbers(b, bits, f.Value, f.U, f.Lo, f.Hi)
		if len(f.Warnings) == 0 {
			continue
		}
		if len(f.Warnings) > math.MaxUint8 {
			return nil, fmt.Errorf("%s has %d warnings; at most %d", n.name, len(f.Warnings), math.MaxUint8)
		}
		b[bits] |= warned
		b = append(b, byte(len(f.Warnings)))
		for _, w := range f.Warnings {
			if len(w.Code) > math.MaxUint8 {
				return nil, fmt.Errorf("%s has a warning of %d bytes; at most %d", n.name, len(w.Code), math.MaxUint8)
			}
			b = append(b, byte(len(w.Code)))
			b = append(b, w.Code...)
			b = append(b, 0)
			b = appendNumbers(b, len(b)-1, w.A, w.B)
		}
	}
	return b, nil
}

// appendNumbers appends those numbers that are not NaN and sets their bits in b[bits].
func appendNumbers(b []byte, bits int, numbers ...float64) []byte {
	for i, v := range numbers {
		if v == v {
			b[bits] |= 1 << i
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
	}
	return b
}

// A figureReader takes the figures of picks out of a file. Picks share the warnings that
// come again and again. It is for one goroutine.
type figureReader struct {
	inBlobs, inRows map[string][]analyze.Warning // by how the file has them
}

// mostShared is how many lists of warnings a figureReader keeps of either kind: those whose
// numbers are of one pick alone would be without end.
const mostShared = 1024

func newFigureReader() *figureReader {
	return &figureReader{inBlobs: map[string][]analyze.Warning{}, inRows: map[string][]analyze.Warning{}}
}

// each hands on every figure in data with its place in figureNames. The order rises.
func (r *figureReader) each(data []byte, f func(place int, x analyze.Figure)) error {
	before := 0
	for len(data) > 0 {
		id := int(data[0])
		if len(data) < 2 || id <= before || data[1] > 2*warned-1 {
			return fmt.Errorf("%w: figures of a pick cannot be read", ErrDamaged)
		}
		if id > len(figureNames) {
			return fmt.Errorf("%w: figure %d is unknown", ErrNewer, id)
		}
		before = id
		bits := data[1]
		numbers, rest, ok := cutNumbers(data[2:], bits&(warned-1))
		if !ok {
			return fmt.Errorf("%w: figure %s of a pick is too short", ErrDamaged, figureNames[id-1].name)
		}
		x := analyze.Figure{Value: numbers[0], U: numbers[1], Lo: numbers[2], Hi: numbers[3]}
		if bits&warned != 0 {
			if x.Warnings, rest, ok = r.warnings(rest); !ok {
				return fmt.Errorf("%w: warnings of figure %s of a pick cannot be read", ErrDamaged, figureNames[id-1].name)
			}
		}
		data = rest
		f(id-1, x)
	}
	return nil
}

// cutNumbers returns the numbers whose bits are set, the others NaN, and what follows them.
func cutNumbers(b []byte, bits byte) (numbers [4]float64, rest []byte, ok bool) {
	for i := range numbers {
		if bits&(1<<i) == 0 {
			numbers[i] = math.NaN()
			continue
		}
		if len(b) < 8 {
			return numbers, nil, false
		}
		numbers[i] = math.Float64frombits(binary.LittleEndian.Uint64(b))
		b = b[8:]
	}
	return numbers, b, true
}

// warnings takes a list of warnings off the beginning of b.
func (r *figureReader) warnings(b []byte) (list []analyze.Warning, rest []byte, ok bool) {
	if len(b) == 0 || b[0] == 0 {
		return nil, nil, false
	}
	// Its length first: mostly the list is known.
	rest = b[1:]
	for range b[0] {
		if len(rest) < 1 || len(rest) < int(rest[0])+2 {
			return nil, nil, false
		}
		rest = rest[int(rest[0])+1:]
		bits := rest[0]
		if bits > 3 {
			return nil, nil, false
		}
		if _, rest, ok = cutNumbers(rest[1:], bits); !ok {
			return nil, nil, false
		}
	}
	text := b[:len(b)-len(rest)]
	if known, ok := r.inBlobs[string(text)]; ok {
		return known, rest, true
	}
	list = make([]analyze.Warning, text[0])
	at := text[1:]
	for i := range list {
		code := at[1 : 1+int(at[0])]
		at = at[len(code)+1:]
		var numbers [4]float64
		numbers, at, _ = cutNumbers(at[1:], at[0])
		list[i] = analyze.Warning{Code: analyze.Code(code), A: numbers[0], B: numbers[1]}
	}
	if len(r.inBlobs) < mostShared {
		r.inBlobs[string(text)] = list
	}
	return list, rest, true
}

// warningsText returns the warnings that a row of figures, of a file of format 1 to 3, has
// as JSON.
func (r *figureReader) warningsText(text string) ([]analyze.Warning, error) {
	if known, ok := r.inRows[text]; ok {
		return known, nil
	}
	var parsed []struct {
		Code string `json:"code"`
		A    number `json:"a"`
		B    number `json:"b"`
	}
	if err := json.Unmarshal([]byte(text), &parsed); err != nil {
		return nil, fmt.Errorf("%w: warnings cannot be read: %w", ErrDamaged, err)
	}
	list := make([]analyze.Warning, len(parsed))
	for i, w := range parsed {
		list[i] = analyze.Warning{Code: analyze.Code(w.Code), A: float64(w.A), B: float64(w.B)}
	}
	list = slices.Clip(list)
	if len(r.inRows) < mostShared {
		r.inRows[text] = list
	}
	return list, nil
}

// hasBlobs reports whether the file has the table pick_figures: another program may have
// brought it up to format 4 since it was opened.
func (t *Trial) hasBlobs(q querier) (bool, error) {
	if t.format >= 4 {
		return true, nil
	}
	name, err := text(q, "SELECT name FROM sqlite_schema WHERE name = '"+pickFigureTable.name+"'")
	return name != "", err
}

// eachFigure hands on the figures of the picks whose row numbers the condition on the column
// pick selects, with their place in figureNames. name "" means every figure. Picks of formats
// 1 to 3 have rows of figures, later ones a blob.
func (t *Trial) eachFigure(q querier, name string, f func(pick int64, place int, x analyze.Figure), condition string, args ...any) error {
	r := newFigureReader()
	blobs, err := t.hasBlobs(q)
	if err != nil {
		return err
	}
	if blobs {
		for row, err := range pickFigureTable.rows(q, "WHERE "+condition, args...) {
			if err != nil {
				return err
			}
			id := row.int()
			err := r.each(row.bytes(), func(place int, x analyze.Figure) {
				if name == "" || figureNames[place].name == name {
					f(id, place, x)
				}
			})
			if err != nil {
				return fmt.Errorf("pick row %d: %w", id, err)
			}
		}
	}
	if name != "" {
		condition, args = condition+" AND name = ?", append(slices.Clip(args), name)
	}
	for row, err := range figureTable.rows(q, "WHERE "+condition, args...) {
		if err != nil {
			return err
		}
		id, name := row.int(), row.text()
		x := analyze.Figure{Value: row.float(), U: row.float(), Lo: row.float(), Hi: row.float()}
		if !row.null() {
			if x.Warnings, err = r.warningsText(row.text()); err != nil {
				return fmt.Errorf("pick row %d: %w", id, err)
			}
		}
		place, named := figureAt[name]
		if !named {
			return fmt.Errorf("%w: figure %q of pick row %d is unknown", ErrDamaged, name, id)
		}
		f(id, place, x)
	}
	return nil
}
