package lift

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// rows reads a table of testdata/physics; its head names the source.
func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/physics/" + name)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, line := range all[1:] {
		m := map[string]string{}
		for i, head := range all[0] {
			m[head] = line[i]
		}
		out = append(out, m)
	}
	require.NotEmpty(t, out)
	return out
}

func num(t *testing.T, m map[string]string, key string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(m[key], 64)
	require.NoError(t, err, "%s of case %s", key, m["case"])
	return x
}

// The tables carry nine digits: 1e-8 relative.
func TestRequiredAgainstTable(t *testing.T) {
	for _, c := range rows(t, "lift.csv") {
		t.Run(c["case"]+" "+c["phase"], func(t *testing.T) {
			l := Load{MassKg: num(t, c, "mass_kg"), Cups: int(num(t, c, "cups")), EffectiveDiameterMM: num(t, c, "eff_d_mm"),
				Friction: num(t, c, "mu"), Safety: num(t, c, "safety"), AmbientKPa: AmbientKPa(num(t, c, "altitude_m")), HoldKPa: math.NaN(),
				Phases: []Phase{{Motion(strings.ReplaceAll(c["phase"], "_", "-")), num(t, c, "a_m_s2")}}}
			assert.InEpsilon(t, num(t, c, "ambient_kPa"), l.AmbientKPa, 1e-8)
			r, err := Required(l)
			require.NoError(t, err)
			assert.InEpsilon(t, num(t, c, "required_vacuum_kPa"), r.RequiredVacuumKPa, 1e-8)
			assert.InEpsilon(t, num(t, c, "force_per_cup_N"), r.ForcePerCupN, 1e-8)
			assert.InEpsilon(t, num(t, c, "force_N"), r.ForcePerCupN*float64(l.Cups), 1e-8)
			assert.InEpsilon(t, num(t, c, "percent_of_ambient"), r.PercentOfAmbient, 1e-8)
			assert.Equal(t, c["possible"], strconv.FormatBool(r.Possible))
		})
	}
}

// Published values have six digits (half a digit of the last); the others nine.
func TestAmbientAgainstTable(t *testing.T) {
	for _, c := range rows(t, "altitude.csv") {
		got := AmbientKPa(num(t, c, "z_geometric_m"))
		assert.InEpsilon(t, num(t, c, "p_kPa"), got, 1e-8, "%s m", c["z_geometric_m"])
		if c["p_published_kPa"] != "" {
			assert.InDelta(t, num(t, c, "p_published_kPa"), got, 0.6e-4, "%s m", c["z_geometric_m"])
		}
	}
	assert.True(t, math.IsNaN(AmbientKPa(LowestM-1)))
	assert.True(t, math.IsNaN(AmbientKPa(HighestM+1)))
	assert.True(t, math.IsNaN(AmbientKPa(math.NaN())))
	assert.False(t, math.IsNaN(AmbientKPa(LowestM)))
	assert.False(t, math.IsNaN(AmbientKPa(HighestM)))
}

func random(r *rand.Rand) Load {
	l := Load{MassKg: math.Exp(r.Float64()*6 - 3), Cups: 1 + r.IntN(8), EffectiveDiameterMM: 5 + 80*r.Float64(),
		Friction: 0.05 + r.Float64(), Safety: 1 + 4*r.Float64(), AmbientKPa: AmbientKPa(4000 * r.Float64()), HoldKPa: math.NaN()}
	for range 1 + r.IntN(4) {
		l.Phases = append(l.Phases, Phase{Motions[r.IntN(4)], 15 * r.Float64()})
	}
	return l
}

// More cups, a larger lip or less mass never need more vacuum; the acceleration that a hold
// vacuum allows needs just that vacuum; what would help does help.
func TestProperties(t *testing.T) {
	const seed = 7
	t.Log("seed", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		l := random(r)
		base, err := Required(l)
		require.NoError(t, err, "%+v", l)

		more := l
		more.Cups++
		got, err := Required(more)
		require.NoError(t, err)
		assert.LessOrEqual(t, got.RequiredVacuumKPa, base.RequiredVacuumKPa, "%+v", l)
		if l.Cups > 1 {
			fewer := l
			fewer.Cups--
			lost, err := Required(fewer)
			require.NoError(t, err)
			assert.InEpsilon(t, lost.RequiredVacuumKPa, base.OneCupLostKPa, 1e-12)
		}
		more = l
		more.EffectiveDiameterMM *= 1.1
		got, err = Required(more)
		require.NoError(t, err)
		assert.LessOrEqual(t, got.RequiredVacuumKPa, base.RequiredVacuumKPa)

		l.HoldKPa = l.AmbientKPa * (0.05 + 0.9*r.Float64())
		held, err := Required(l)
		require.NoError(t, err)
		for m, a := range held.MaxAccelerationMS2 {
			rest := l
			rest.Phases = []Phase{{m, 0}}
			still, err := Required(rest)
			require.NoError(t, err)
			if math.IsNaN(a) {
				assert.Greater(t, still.RequiredVacuumKPa, l.HoldKPa)
				continue
			}
			rest.Phases[0].AccelerationMS2 = a
			moving, err := Required(rest)
			require.NoError(t, err)
			assert.InEpsilon(t, l.HoldKPa, moving.RequiredVacuumKPa, 1e-9, "%s %+v", m, l)
		}
		assert.Equal(t, held.RequiredVacuumKPa <= l.HoldKPa, held.Held)

		if !base.Possible {
			for _, help := range []func(*Load){
				func(l *Load) { l.Cups = base.CupsNeeded },
				func(l *Load) { l.EffectiveDiameterMM = base.DiameterMM },
				func(l *Load) { l.MassKg = base.MassAllowedKg },
			} {
				helped := l
				help(&helped)
				got, err := Required(helped)
				require.NoError(t, err)
				assert.LessOrEqual(t, got.RequiredVacuumKPa, base.UsableKPa*(1+1e-9))
			}
		}
	}
}

// 1000 mm² at 50 kPa pull 50 N: d = √(4000/π) = 35.682 mm, by hand.
func TestEffectiveDiameter(t *testing.T) {
	assert.InDelta(t, 35.682, EffectiveDiameterMM(50, 50), 0.001)
}

func TestRequiredRefuses(t *testing.T) {
	good := Load{MassKg: 1, Cups: 1, EffectiveDiameterMM: 30, Friction: math.NaN(), Safety: 1, AmbientKPa: 101.325, HoldKPa: math.NaN(), Phases: []Phase{{Up, 0}}}
	r, err := Required(good)
	require.NoError(t, err)
	assert.True(t, math.IsNaN(r.OneCupLostKPa))
	assert.True(t, math.IsNaN(r.MaxAccelerationMS2[Up]))
	for _, c := range []struct {
		name string
		edit func(*Load)
		want string
	}{
		{"mass", func(l *Load) { l.MassKg = 0 }, "mass is 0"},
		{"mass without end", func(l *Load) { l.MassKg = math.Inf(1) }, "mass is +Inf"},
		{"no number", func(l *Load) { l.EffectiveDiameterMM = math.NaN() }, "effective diameter is NaN"},
		{"ambient", func(l *Load) { l.AmbientKPa = -1 }, "ambient pressure is -1"},
		{"cups", func(l *Load) { l.Cups = 0 }, "0 cups"},
		{"safety", func(l *Load) { l.Safety = 0.99 }, "safety factor is 0.99"},
		{"no phase", func(l *Load) { l.Phases = nil }, "no phase"},
		{"hold", func(l *Load) { l.HoldKPa = 101.325 }, "hold vacuum is 101.325"},
		{"hold 0", func(l *Load) { l.HoldKPa = 0 }, "hold vacuum is 0"},
		{"motion", func(l *Load) { l.Phases[0].Motion = "down" }, `"down" is unknown`},
		{"acceleration", func(l *Load) { l.Phases[0].AccelerationMS2 = -1 }, "acceleration is -1"},
		{"friction", func(l *Load) { l.Phases[0].Motion = Level }, "needs the friction"},
		{"friction 0", func(l *Load) { l.Phases[0].Motion = Upright; l.Friction = 0 }, "needs the friction"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := good
			l.Phases = []Phase{good.Phases[0]}
			c.edit(&l)
			_, err := Required(l)
			require.ErrorContains(t, err, c.want)
			assert.NotContains(t, err.Error(), "\n")
		})
	}
}
