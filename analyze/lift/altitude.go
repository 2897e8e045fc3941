package lift

import "math"

// Heights for which AmbientKPa has an answer: people live and work there.
const (
	LowestM  = -500
	HighestM = 9000
)

// AmbientKPa returns the pressure of the U.S. Standard Atmosphere 1976 (NASA-TM-X-74335) at
// geometric altitude altitudeM in metres, in kPa: H = r₀Z/(r₀+Z) with r₀ = 6 356 766 m, and
// p = 101.325·(T/288.15)^(g·M/(R*·0.0065)), T = 288.15 − 0.0065·H. The weather adds ± 3 kPa
// (from memory). NaN outside LowestM to HighestM.
func AmbientKPa(altitudeM float64) float64 {
	if !(altitudeM >= LowestM && altitudeM <= HighestM) {
		return math.NaN()
	}
	const (
		earthM   = 6356766.0
		lapseKM  = 0.0065
		molar    = 28.9644e-3 // kg/mol
		gas      = 8.31432    // J/(mol·K), of the 1976 standard
		seaTempK = 288.15
	)
	h := earthM * altitudeM / (earthM + altitudeM)
	return SeaLevelKPa * math.Pow((seaTempK-lapseKM*h)/seaTempK, GravityMS2*molar/(gas*lapseKM))
}
