package sample

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// JCGM 100:2008, H.3, a thermometer's calibration line, from memory: y = −0.1712 °C (u 0.0029)
// + 0.00218 (u 0.00067) × (t − 20 °C), correlation −0.930; at t = 30 °C u = 0.0041 °C.
func TestCalibrationU(t *testing.T) {
	u1, u2, r := 0.0029, 0.00067, -0.930
	// The mean of its 11 temperatures less 20 °C, from r = −m·u2/u1.
	c := Channel{Offset: -0.1712, Scale: 0.00218, Calibration: Calibration{OffsetU: u1, ScaleU: u2, CenterCount: -r * u1 / u2}}
	assert.InDelta(t, 0.0041, c.CalibrationU(c.Offset+10*c.Scale), 0.00005)
	assert.InDelta(t, u1, c.CalibrationU(c.Offset), 1e-12, "at a count of 0 that of the offset")
	least := u1 * math.Sqrt(1-r*r)
	assert.InDelta(t, least, c.CalibrationU(c.Offset+c.Calibration.CenterCount*c.Scale), 1e-12)
	c.Calibration = Calibration{}
	assert.Zero(t, c.CalibrationU(1))
	c = Channel{Offset: 1, Scale: 0, Calibration: Calibration{OffsetU: 1}}
	assert.Zero(t, c.CalibrationU(1), "no line")
}
