package engine

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Law says how leak flow grows with vacuum.
type Law string

// The laws, v in kPa of vacuum, Q in L/min ANR.
const (
	Power   Law = "power"   // Q = k·vⁿ, n from 0.5 to 1 (ISO 9972, ASTM E779 for buildings)
	Orifice Law = "orifice" // a hole: ISO 6358 with b = 0.5283, choked beyond 47 % of ambient
	Laminar Law = "laminar" // Q = k·v: porous film, long narrow ways
)

// Limits of the power law's exponent: a hole before it chokes, and laminar flow.
const (
	leastN = 0.5
	mostN  = 1
)

// A Leak is a leak law with its numbers. K is in L/min ANR per kPaᴺ. The orifice's is that of
// its limit for small vacuums, Q → K·√v, so that K means the same in all laws:
// Q = K·√(v·(1 − u/2)) with u = v/(p·(1 − b)), and constant beyond u = 1.
type Leak struct {
	Law  Law
	K, N float64
}

// shape returns Q/K at vacuum v and ambient pressure (kPa).
func (l Leak) shape(v, ambientKPa float64) float64 {
	if v <= 0 {
		return 0
	}
	switch l.Law {
	case Orifice:
		u := min(v/(ambientKPa*(1-OrificeB)), 1)
		return math.Sqrt(u * (1 - u/2) * ambientKPa * (1 - OrificeB))
	case Laminar:
		return v
	}
	return math.Pow(v, l.N)
}

// Flow returns the leak in L/min ANR at vacuum v and ambient pressure, both kPa; 0 without vacuum.
func (l Leak) Flow(v, ambientKPa float64) float64 { return l.K * l.shape(v, ambientKPa) }

// Hole returns the orifice's conductance in dm³/(s·bar), from its choked flow 0.6·C·p.
func (l Leak) Hole(ambientKPa float64) float64 {
	return l.Flow(ambientKPa, ambientKPa) / (0.6 * ambientKPa)
}

// A Point is a leak measured at one setting of the engine, as the mean of its runs.
type Point struct {
	VacuumKPa, FlowLminANR float64
	VacuumU, FlowU         float64 // standard uncertainties; NaN where not known
	Covariance             float64 // of the two: runs with more leak have less vacuum; 0 where not known
	Dof                    float64 // degrees of freedom of FlowU; +Inf where it is not from runs
	Source                 string  // how the flow is known

	CommonU             float64 // standard uncertainty that the flows of all points share, as a share of them: of the volume, of the pieces
	CommonDof           float64 // its degrees of freedom; 0 stands for infinitely many
	Exponent, ExponentU float64 // of the law near the point, dlnQ/dlnv, with its standard uncertainty; ExponentU 0 for none
}

// A Fit is a leak law fitted to points, with the other laws that the points allow.
type Fit struct {
	Leak
	Cov         [2][2]float64 // of K and N, without what all flows share; zero where a law passes through all points
	CommonU     float64       // what all flows share, as a share of K
	Dof         float64       // of the variance behind Cov and CommonU; 0 where there is none
	Settings    int           // of the engine; one that tells the exponent, too, counts twice
	TestedToKPa float64       // highest vacuum of the points
	AmbientKPa  float64
	ChiSquare   float64 // weighted sum of squared residuals; in (L/min)² without weights
	Weighted    bool

	// Others are the other laws that the points do not rule out at 5 %; with fewer than
	// three settings all laws that meet the points as well as they can.
	Others []Fit
}

// SeK returns the standard uncertainty of K; NaN where the points do not tell.
func (f Fit) SeK() float64 { return f.se(0) }

// SeN returns the standard uncertainty of N; NaN where the points do not tell.
func (f Fit) SeN() float64 { return f.se(1) }

func (f Fit) se(i int) float64 {
	if f.Dof == 0 {
		return math.NaN()
	}
	u := math.Sqrt(f.Cov[i][i])
	if i == 0 {
		u = math.Hypot(u, f.K*f.CommonU)
	}
	return u
}

// FitLeak fits the power law by weighted least squares on flow, and tries the one-number laws
// beside it. Weights come from the points' uncertainties where all have them, the vacuum's
// taken along the law's slope (effective variance); else all points weigh the same and the
// variance is that of the residuals. Where the points scatter more than their uncertainties
// say, these are enlarged by √(χ²/ν). The exponent is kept from 0.5 to 1. A point that tells
// the exponent, from the law of a leak-down, brings it in as one more residual.
// Where the exponent is at 0.5 and a hole's law comes nearer, that is the fit.
// With one setting the exponent cannot be told: 0.75 stands for the span.
func FitLeak(points []Point, ambientKPa float64) (Fit, error) {
	d, err := newData(points, ambientKPa)
	if err != nil {
		return Fit{}, err
	}
	return d.share(d.choose()), nil
}

// choose fits the power law, and the other laws beside it.
func (d *data) choose() Fit {
	points, ambientKPa := d.points, d.ambient
	power := d.fit(Power)
	if power.Settings == 1 {
		power.N = (leastN + mostN) / 2
		power.K = points[0].FlowLminANR / power.shape(points[0].VacuumKPa, ambientKPa)
	}
	for _, law := range []Law{Orifice, Laminar} {
		other := d.fit(law)
		limit := math.Inf(1)
		if power.Settings >= 3 && power.Dof > 0 {
			t := StudentT(power.Dof)
			limit = t * t * power.scale()
		}
		if other.ChiSquare-power.ChiSquare <= limit {
			if power.Settings >= 3 { // the variance of the more general law holds for both
				other.Cov[0][0] *= power.scale() / other.scale()
				other.Dof = power.Dof
			}
			power.Others = append(power.Others, other)
		}
	}
	// At its lower limit the power law stands in for a hole: take the hole's own law where it
	// is nearer to the points. A true hole stops growing once it chokes; a power law does not.
	if power.Settings >= 3 && power.N == leastN && len(power.Others) > 0 {
		if hole := power.Others[0]; hole.Law == Orifice && hole.ChiSquare < power.ChiSquare {
			others := power.Others[1:]
			power.Others = nil
			hole.Others = append(others, power)
			hole.Dof = power.Dof
			return hole
		}
	}
	return power
}

// FitLaw fits the given law alone, for those who know which it is.
func FitLaw(points []Point, ambientKPa float64, law Law) (Fit, error) {
	d, err := newData(points, ambientKPa)
	if err != nil {
		return Fit{}, err
	}
	f := d.choose()
	if f.Law != law {
		f = d.fit(law)
	}
	f.Others = nil
	return d.share(f), nil
}

// StudentT returns the factor of a two-sided 95 % interval with dof degrees of freedom.
func StudentT(dof float64) float64 {
	if math.IsInf(dof, 1) || dof > 1e6 {
		return 1.959963984540054
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(0.975)
}

// data is what a law is fitted to.
type data struct {
	points   []Point
	ambient  float64
	weighted bool
	common   float64 // standard uncertainty that all flows share, as a share of them
	dof      float64 // its degrees of freedom
}

// share adds what all flows share to a fit and to its others. Degrees of freedom by Welch and
// Satterthwaite (JCGM 100, G.4), of the flow in the middle of the points.
func (d *data) share(f Fit) Fit {
	f.CommonU = d.common
	mid := 0.0
	for _, p := range d.points {
		mid += p.VacuumKPa / float64(len(d.points))
	}
	own, shared := f.deltas(func(f Fit) float64 { return f.Flow(mid, d.ambient) })
	if own, shared := own*own, shared*shared; f.Dof > 0 && shared > 0 {
		f.Dof = (own + shared) * (own + shared) / (own*own/f.Dof + shared*shared/d.dof)
	}
	for i, o := range f.Others {
		f.Others[i] = d.share(o)
	}
	return f
}

// newData checks points. The slice is not kept.
func newData(points []Point, ambientKPa float64) (*data, error) {
	if len(points) == 0 {
		return nil, errors.New("no leak point")
	}
	if !(ambientKPa > 0) {
		return nil, fmt.Errorf("the ambient pressure is %g kPa; want more than 0", ambientKPa)
	}
	for i, p := range points {
		if !(p.VacuumKPa > 0 && p.VacuumKPa < ambientKPa) {
			return nil, fmt.Errorf("leak point %d: the vacuum is %g kPa; want more than 0 and less than the pressure around, %.4g kPa", i+1, p.VacuumKPa, ambientKPa)
		}
		if !(p.FlowLminANR > 0) || math.IsInf(p.FlowLminANR, 0) {
			return nil, fmt.Errorf("leak point %d: the flow is %g L/min ANR; want more than 0", i+1, p.FlowLminANR)
		}
	}
	d := &data{points: slices.Clone(points), ambient: ambientKPa, weighted: true, common: math.Inf(1), dof: math.Inf(1)}
	for _, p := range points {
		d.weighted = d.weighted && p.FlowU > 0 && !math.IsInf(p.FlowU, 0)
		d.common = min(d.common, p.CommonU)
		if p.CommonDof > 0 {
			d.dof = min(d.dof, p.CommonDof)
		}
	}
	for i, p := range points {
		if p.CommonU > d.common { // not shared by all
			d.points[i].FlowU = math.Hypot(p.FlowU, p.CommonU*p.FlowLminANR)
		}
	}
	return d, nil
}

// exponents returns the points that tell the exponent; without weights they cannot be set
// against flows.
func (d *data) exponents() (all []Point) {
	for _, p := range d.points {
		if d.weighted && p.ExponentU > 0 {
			all = append(all, p)
		}
	}
	return all
}

// exponentAt returns dlnQ/dlnv at vacuum v.
func (l Leak) exponentAt(v, ambientKPa float64) float64 {
	const h = 1e-4
	return math.Log(l.shape(v*(1+h), ambientKPa)/l.shape(v*(1-h), ambientKPa)) / math.Log((1+h)/(1-h))
}

// scale returns the variance by which the fit multiplied (JᵀWJ)⁻¹.
func (f Fit) scale() float64 {
	parameters := 2.0
	if f.Law != Power {
		parameters = 1
	}
	left := float64(f.Settings) - parameters
	switch {
	case left <= 0:
		return 1
	case f.Weighted:
		return max(1, f.ChiSquare/left)
	}
	return f.ChiSquare / left
}

func (d *data) fit(law Law) Fit {
	f := Fit{Leak: Leak{Law: law, N: map[Law]float64{Orifice: 0.5, Laminar: 1}[law]}, Settings: len(d.points) + len(d.exponents()), AmbientKPa: d.ambient, Weighted: d.weighted}
	w := make([]float64, len(d.points))
	for i, p := range d.points {
		f.TestedToKPa = max(f.TestedToKPa, p.VacuumKPa)
		w[i] = 1
		if d.weighted {
			w[i] = 1 / (p.FlowU * p.FlowU)
		}
	}
	best := func(n float64) (k, chi float64) { // k is linear in the flow
		l := Leak{law, 1, n}
		var gg, gq float64
		for i, p := range d.points {
			g := l.shape(p.VacuumKPa, d.ambient)
			gg += w[i] * g * g
			gq += w[i] * g * p.FlowLminANR
		}
		k = gq / gg
		for i, p := range d.points {
			r := p.FlowLminANR - k*l.shape(p.VacuumKPa, d.ambient)
			chi += w[i] * r * r
		}
		for _, p := range d.exponents() {
			r := (p.Exponent - l.exponentAt(p.VacuumKPa, d.ambient)) / p.ExponentU
			chi += r * r
		}
		return k, chi
	}
	for range 4 { // the vacuum's share of the weights depends on the fit
		if law == Power {
			f.N = lowest(func(n float64) float64 { _, chi := best(n); return chi }, leastN, mostN)
		}
		f.K, f.ChiSquare = best(f.N)
		if !d.weighted {
			break
		}
		for i, p := range d.points {
			if !(p.VacuumU > 0) {
				continue
			}
			h := p.VacuumKPa * 1e-4
			slope := (f.Flow(p.VacuumKPa+h, d.ambient) - f.Flow(p.VacuumKPa-h, d.ambient)) / (2 * h)
			w[i] = 1 / max(p.FlowU*p.FlowU-2*slope*p.Covariance+slope*slope*p.VacuumU*p.VacuumU, 1e-6*p.FlowU*p.FlowU)
		}
	}
	f.covariance(d, w)
	return f
}

// covariance fills in Cov and Dof: (JᵀWJ)⁻¹ times the variance.
func (f *Fit) covariance(d *data, w []float64) {
	var a, b, c float64 // JᵀWJ = [a b; b c]
	for i, p := range d.points {
		g := f.shape(p.VacuumKPa, d.ambient)
		dn := f.K * g * math.Log(p.VacuumKPa)
		a += w[i] * g * g
		b += w[i] * g * dn
		c += w[i] * dn * dn
	}
	for _, p := range d.exponents() {
		c += 1 / (p.ExponentU * p.ExponentU)
	}
	left := float64(f.Settings - 1)
	if f.Law == Power {
		left--
	}
	switch {
	case left < 0, left == 0 && !d.weighted:
		return
	case d.weighted:
		// The runs' own, together; as many as one likes where an uncertainty is simply stated.
		f.Dof = 0
		for _, p := range d.points {
			if p.Dof > 0 {
				f.Dof += p.Dof
			} else {
				f.Dof = math.Inf(1)
			}
		}
	default:
		f.Dof = left
	}
	s := f.scale()
	if f.Law != Power {
		f.Cov[0][0] = s / a
		return
	}
	det := a*c - b*b
	if !(det > 0) {
		f.Dof = 0
		return
	}
	f.Cov = [2][2]float64{{s * c / det, -s * b / det}, {-s * b / det, s * a / det}}
}
