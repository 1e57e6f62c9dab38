package water

import "math"

// The equations below are those of FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes
// and Smith 1998); the equation number stands beside each. They use the paper's units, not SI,
// because that is how the paper, its examples and its coefficients are written: kPa, degC, m/s,
// MJ/m2 a day or an hour, millimetres of water.

// SaturationKPa is the saturation vapour pressure at t degC (equation 11), kPa.
func SaturationKPa(t float64) float64 { return 0.6108 * math.Exp(17.27*t/(t+237.3)) }

// SlopeKPa is the slope of the saturation vapour pressure curve at t degC (equation 13), kPa/K.
func SlopeKPa(t float64) float64 {
	return 4098 * SaturationKPa(t) / ((t + 237.3) * (t + 237.3))
}

// PressureKPa is the mean air pressure at z metres above sea level (equation 7), kPa.
func PressureKPa(z float64) float64 { return 101.3 * math.Pow((293-0.0065*z)/293, 5.26) }

// PsychrometricKPa is the psychrometric constant at air pressure p kPa (equation 8), kPa/K.
func PsychrometricKPa(p float64) float64 { return 0.665e-3 * p }

// WindAt2M reduces a wind speed measured at z metres to 2 metres (equation 47). A height under
// half a metre has no meaning in the equation and counts as 2 metres.
func WindAt2M(u, z float64) float64 {
	if !(z >= 0.5) {
		return u
	}
	return u * 4.87 / math.Log(67.8*z-5.42)
}

// Sun is where the sun stands on one day at one latitude.
type Sun struct {
	// Dr is the inverse relative distance, Declination in radians (equations 23, 24), Sunset the
	// sunset hour angle in radians, 0 in the polar night and pi where it does not set
	// (equation 25).
	Dr, Declination, Sunset float64
	phi                     float64
}

// SunOn returns the sun of day j of the year (1 to 366) at a latitude in degrees.
func SunOn(latitudeDeg float64, j int) Sun {
	phi := latitudeDeg * math.Pi / 180
	a := 2 * math.Pi * float64(j) / 365
	s := Sun{Dr: 1 + 0.033*math.Cos(a), Declination: 0.409 * math.Sin(a-1.39), phi: phi}
	s.Sunset = math.Acos(max(-1, min(1, -math.Tan(phi)*math.Tan(s.Declination))))
	return s
}

const solarConstant = 0.0820 // MJ/m2 a minute

// DailyMJ is the extraterrestrial radiation of the day (equation 21), MJ/m2 a day.
func (s Sun) DailyMJ() float64 {
	return 24 * 60 / math.Pi * solarConstant * s.Dr *
		(s.Sunset*math.Sin(s.phi)*math.Sin(s.Declination) + math.Cos(s.phi)*math.Cos(s.Declination)*math.Sin(s.Sunset))
}

// Elevation is the sine of the sun's height above the horizon at an hour angle in radians (0 is
// solar noon); negative below the horizon.
func (s Sun) Elevation(hourAngle float64) float64 {
	return math.Sin(s.phi)*math.Sin(s.Declination) + math.Cos(s.phi)*math.Cos(s.Declination)*math.Cos(hourAngle)
}

// tells is the sine of the sun's height from which solar over clear-sky radiation tells how cloudy it is. Lower down
// the air's longer way takes what would be laid to cloud, and a clear evening reads as half cloudy. The night's
// ratio is that of two to three hours before sunset, "before the sun angle becomes small" (the paper's chapter 4, on
// hourly steps: an hour angle of sunset less 0.79 to 0.52), or of when the sun was last 0.3 rad high (ASCE-EWRI
// 2005, equation 45). Where a winter's noon hardly reaches that height the hours hold, and in days of under four
// the middle half.
func (s Sun) tells() float64 {
	return min(math.Sin(0.3), s.Elevation(max(s.Sunset-0.52, s.Sunset/2)))
}

// HourlyMJ is the extraterrestrial radiation at an hour angle, as MJ/m2 an hour (equation 28 in
// the limit of a short period); 0 below the horizon.
func (s Sun) HourlyMJ(hourAngle float64) float64 {
	return 60 * solarConstant * s.Dr * max(0, s.Elevation(hourAngle))
}

// ClearSkyShare is what of the extraterrestrial radiation reaches the ground under a clear sky
// at z metres (equation 37).
func ClearSkyShare(z float64) float64 { return 0.75 + 2e-5*z }

// SolarFromRange is the solar radiation from the day's temperature range (equation 50); k is
// 0.16 inland and 0.19 at a coast.
func SolarFromRange(k, tMin, tMax, ra float64) float64 { return k * math.Sqrt(max(0, tMax-tMin)) * ra }

// NetLongwaveMJ is the net outgoing longwave radiation of a day (equation 39), MJ/m2 a day. ratio
// is solar over clear-sky radiation, held between 0.25 and 1.
func NetLongwaveMJ(tMin, tMax, ea, ratio float64) float64 {
	const kelvin = 273.16
	t4 := (math.Pow(tMax+kelvin, 4) + math.Pow(tMin+kelvin, 4)) / 2
	return 4.903e-9 * t4 * (0.34 - 0.14*math.Sqrt(max(0, ea))) * (1.35*max(0.25, min(1, ratio)) - 0.35)
}

// NetShortwaveMJ is the net incoming shortwave radiation (equation 38), in rs's unit.
func NetShortwaveMJ(rs float64) float64 { return 0.77 * rs }

// PenmanMonteithDaily is the reference evapotranspiration of a day (equation 6), mm: net
// radiation and soil heat in MJ/m2 a day, mean temperature in degC, wind at 2 m in m/s, mean
// saturation and actual vapour pressure and psychrometric constant in kPa.
func PenmanMonteithDaily(rn, g, t, u2, es, ea, gamma float64) float64 {
	return penmanMonteith(rn, g, t, u2, es, ea, gamma, 900)
}

// PenmanMonteithHourly is the same for an hour (equation 53): radiation in MJ/m2 an hour,
// result in mm an hour. It may be slightly negative at night (dew).
func PenmanMonteithHourly(rn, g, t, u2, es, ea, gamma float64) float64 {
	return penmanMonteith(rn, g, t, u2, es, ea, gamma, 37)
}

func penmanMonteith(rn, g, t, u2, es, ea, gamma, cn float64) float64 {
	d := SlopeKPa(t)
	return (0.408*d*(rn-g) + gamma*cn/(t+273)*u2*(es-ea)) / (d + gamma*(1+0.34*u2))
}

// HourlyFromWeather is equation 53 with everything it needs from the four instruments of a
// weather station: temperature degC, humidity ratio, wind at 2 m in m/s, solar radiation in
// MJ/m2 an hour, the clear-sky radiation of the same moment and the elevation. ratio is solar
// over clear-sky radiation; by night the paper takes it from before sunset. Soil heat is a
// tenth of net radiation by day and half of it by night (equations 45, 46). mm an hour.
func HourlyFromWeather(t, rh, u2, rs, ratio, elevationM float64, day bool) float64 {
	const kelvin = 273.16
	es := SaturationKPa(t)
	ea := min(1, rh) * es
	rnl := 4.903e-9 / 24 * math.Pow(t+kelvin, 4) * (0.34 - 0.14*math.Sqrt(ea)) * (1.35*max(0.25, min(1, ratio)) - 0.35)
	rn := NetShortwaveMJ(rs) - rnl
	g := 0.5 * rn
	if day {
		g = 0.1 * rn
	}
	return PenmanMonteithHourly(rn, g, t, u2, es, ea, PsychrometricKPa(PressureKPa(elevationM)))
}

// dailyFromRange is equation 6 for a day whose radiation is known from the range of its temperature
// alone (equation 50): extremes in degC, actual vapour pressure in kPa, wind at 2 m in m/s, the day's
// extraterrestrial radiation in MJ/m2; mm.
func dailyFromRange(tMin, tMax, ea, u2, ra, elevationM float64) float64 {
	if ra <= 0 {
		return 0
	}
	clear := ClearSkyShare(elevationM) * ra
	rs := min(clear, SolarFromRange(0.16, tMin, tMax, ra))
	es := (SaturationKPa(tMin) + SaturationKPa(tMax)) / 2
	rn := NetShortwaveMJ(rs) - NetLongwaveMJ(tMin, tMax, ea, rs/clear)
	return PenmanMonteithDaily(rn, 0, (tMin+tMax)/2, u2, es, min(ea, es), PsychrometricKPa(PressureKPa(elevationM)))
}

// HargreavesDaily is the reference evapotranspiration of a day from temperature alone
// (equation 52), mm; ra in MJ/m2 a day.
func HargreavesDaily(tMin, tMax, ra float64) float64 {
	return 0.0023 * ((tMin+tMax)/2 + 17.8) * math.Sqrt(max(0, tMax-tMin)) * 0.408 * ra
}

// WhiteDaily is evaporation by the diurnal water table method (White 1932, USGS Water-Supply
// Paper 659-A): specific yield times (24 times the hourly rise between midnight and four, plus
// the day's net fall). rise in m an hour, fall in m (positive when the level fell), added water
// in m over the day (metered volume by area); the result is in m a day. NaN in gives NaN.
func WhiteDaily(specificYield, risePerHour, fall, added float64) float64 {
	return added + specificYield*(24*risePerHour+fall)
}
