package procedure

import "math"

// What the rises of the first weeks say of a bay's porosity: by how much its fills raised it, against
// what went in and what was lost meanwhile. Loss between two rests is not seen; how it goes with the
// evaporation the bay's other rests teach (pairs), and what they leave unexplained is the larger part of
// the budget. All terms are put together by least squares with what is known beforehand (JCGM 100:2008,
// 4.3 and F.1.2; Bayes' rule for normal errors), so that each is made as small as the bay's own data let.

// rise is what a fill, or some, did between two rests.
type rise struct {
	UpM    float64 `json:"up"`     // by how much the level rose, from the end of one to the start of the other
	FromM  float64 `json:"from"`   // and from where, m
	WaterM float64 `json:"water"`  // what the meter let in over the area, m
	Hours  float64 `json:"hours"`  // between them
	Before float64 `json:"before"` // how fast the level fell before and after, m/h
	After  float64 `json:"after"`
	ET     drawn   `json:"et"`    // evaporation between, less that at the rest after it, m/h
	Fresh  drawn   `json:"fresh"` // evaporation at the rest after, less that before, m/h
	OwnVar float64 `json:"own"`   // variance of the level's readings in all this, m2
	LeadM  float64 `json:"lead"`  // what the chamber may lead by and the sensor may have warmed by, m
	WarmM  float64 `json:"warm"`
}

// pairs are sums over pairs of rests: by how much faster the level fell, m/h, against by how much more
// evaporated. U is the sum of the variances of their readings.
type pairs struct {
	XX [len(drawn{})]drawn `json:"xx,omitzero"`
	XY drawn               `json:"xy,omitzero"`
	YY float64             `json:"yy,omitempty"`
	U  float64             `json:"u,omitempty"`
	N  int                 `json:"n,omitempty"`
}

func (p *pairs) add(a, r *rest) {
	x, y := r.ET.plus(-1, a.ET), a.MPerHour-r.MPerHour
	for i := range x {
		p.XX[i] = p.XX[i].plus(x[i], x)
	}
	p.XY, p.YY, p.U, p.N = p.XY.plus(y, x), p.YY+sq(y), p.U+sq(a.RateU)+sq(r.RateU), p.N+1
}

// The budget (GUM, our own choice where no source is named).
const (
	// warmM is by how much a sensor's zero moves with its temperature, over warmHours; the account has
	// the same. It is common to all rises: they fall in the same hours.
	warmM, warmHours = 0.0005, 8
	// settleMore is how much longer than learned a chamber may lead.
	settleMore = 1.3
	// stoneShare is by how much rises differ beyond what is known of each: trapped air, pores that drain
	// late, fills of other sizes. Of its variance, and of that of a loss that no evaporation explains, half
	// is common to all: fills come at like hours after like droughts, and of their correlation no more is
	// known than that it lies between 0 and 1.
	stoneShare = 0.05
	// factor and factorU are the evaporation factor by each of the three ways; together 0.78, as the
	// account has it.
	factor, factorU = 0.26, 0.4
	// earlyU is how far from the rate after a fill the loss since before it may lie, in parts of what the
	// two rates differ by beyond the evaporation: it may have gone over at once or evenly, or have been
	// higher still (a rectangle from a half to one and a half).
	earlyU = 0.289
	// drinkMean and drinkU, parts of what a higher level can draw more: a rectangle from none to all.
	drinkMean, drinkU = 0.5, 0.289
	// mostLost is how much of its water a rise may have lost: beyond it what is told would be the loss.
	mostLost = 0.5
	// priorFree is how many rises the variances beforehand are worth against the scatter that is seen.
	priorFree = 3
	// quietRate is the unrest of a level's fall in still weather that any bay has, m/h.
	quietRate = 0.0002
)

// rise takes what happened between two rests.
func (s *rests) rise(a, r *rest, areaM2, settleS float64) {
	hours := float64(r.T-a.T)/3.6e6 - 2*halfRest
	water := (r.InM3 - a.InM3) / areaM2
	if !(water > 0) || !(hours > 0) {
		return
	}
	s.Pairs.add(a, r)
	// A lead at the rest is seen twice: in its level, and in its rate as a loss.
	lead := max(0, r.PeakM-r.start()) * math.Pow(20, -r.DryS/(settleMore*settleS)) * (1 + hours/2)
	s.Rises = append(s.Rises, rise{UpM: r.start() - a.end(), FromM: a.end(), WaterM: water, Hours: hours, Before: -a.MPerHour, After: -r.MPerHour,
		ET: r.GapET.plus(-1, r.ET), Fresh: r.ET.plus(-1, a.ET), OwnVar: sq(a.EndU) + sq(r.EndU) + sq(r.RateU*hours),
		LeadM: lead, WarmM: warmM * (1 - math.Exp(-hours/warmHours))})
}

// The unknowns of the fit: how far a metre of water raises the level, how the fall of the level goes with
// each drawn evaporation, and six nuisances in units of what they are known to beforehand.
const (
	rising = iota
	falls
	early = falls + len(drawn{})
	drink = early + iota - 2
	leads
	warms
	misfit
	unknowns
)

type column [unknowns]float64

// told is what the rises say.
type told struct {
	Porosity, U float64 // with the half width of its 95 % interval
	Rises       int     // that took part
}

// leastRises is how many rises a porosity is told from.
const leastRises = 2

// porosity is the drainable porosity at the level the bay is held, as its fills have it: the water over
// the area that raises the level by one. nominal is what the site file has, and depthM how high the
// surface stands: they only weigh, and say how near the surface a rise came. ok is false below leastRises.
func (s *rests) porosity(nominal, depthM float64) (out told, ok bool) {
	k, known, unrest := s.Pairs.losses(nominal)
	var rows []column
	var ys, vs []float64
	for _, r := range s.Rises {
		if x, y, v, ok := r.row(k, unrest, nominal, depthM); ok {
			rows, ys, vs = append(rows, x), append(ys, y), append(vs, v)
		}
	}
	if out.Rises = len(rows); out.Rises < leastRises {
		return out, false
	}
	// How far the rises differ, and how far they should, says how sure their mean is; what they have in
	// common is wrong in all of them alike.
	scale, free := 1.0, float64(priorFree+out.Rises-1)
	var at, unit column
	var variance, own float64
	unit[rising] = 1
	for range 4 {
		m, b := known.joined(k)
		own = 0
		for n, x := range rows {
			w := 1 / (scale * vs[n])
			own += w * sq(x[rising])
			for i := range m {
				b[i] += w * x[i] * ys[n]
				for j := range m {
					m[i][j] += w * x[i] * x[j]
				}
			}
		}
		at, variance, own = solved(&m, b), solved(&m, unit)[rising], 1/own
		chi := 0.0
		for n, x := range rows {
			e := ys[n]
			for i := range x {
				e -= x[i] * at[i]
			}
			chi += sq(e) / vs[n]
		}
		scale = (priorFree + chi) / free
	}
	if !(at[rising] > 0) {
		return out, false
	}
	// Effective degrees of freedom (Welch and Satterthwaite; GUM G.4.1): those of the scatter, in its part.
	t := student95(int(min(1000, free*sq(variance/own))))
	out.Porosity = 1 / at[rising]
	out.U = math.Hypot(t*math.Sqrt(variance)/sq(at[rising]), 1.959964*stoneShare/math.Sqrt2*out.Porosity)
	return out, true
}

// row is a rise as a line of the fit, with its variance. ok is false where most of its water was lost.
func (r rise) row(k drawn, unrest, nominal, depthM float64) (x column, y, variance float64, ok bool) {
	x[rising] = r.WaterM
	lost := r.After * r.Hours
	y = r.UpM + lost
	x[early] = earlyU * (r.After - r.Before) * r.Hours
	late := 0.0
	for i := range k {
		x[falls+i] = -r.ET[i] * r.Hours
		lost += k[i] * r.ET[i] * r.Hours
		x[early] -= earlyU * k[i] * r.Fresh[i] * r.Hours
		if i > 0 {
			late += k[i]
		}
	}
	// A level nearer the surface feeds the clay faster, by the square of the depth (Gardner 1958, from
	// memory; his exponent for clay), as far as it is the clay that draws and not the air.
	if all := math.Abs(k[0] + late); all > 0 {
		higher := sq((depthM-r.FromM)/max(0.005, depthM-r.FromM-r.UpM)) - 1
		more := max(0, lost) * max(0, higher) * min(1, max(0, late/all))
		lost, y, x[drink] = lost+drinkMean*more, y+drinkMean*more, drinkU*more
	}
	x[leads], x[warms] = r.LeadM, r.WarmM
	x[misfit] = r.Hours * unrest * math.Sqrt2 / 2
	return x, y, r.OwnVar + sq(r.Hours*unrest)/2 + sq(stoneShare*r.WaterM/nominal)/2, lost <= mostLost*r.WaterM/nominal
}

// losses is how the fall of the level goes with evaporation, by least squares over the pairs, with the
// weights it has in the fit of the rises. unrest is what it leaves unexplained of a rate, m/h, once the
// readings' own scatter is taken off, and no less than that can be known to.
func (p *pairs) losses(nominal float64) (k drawn, known weights, unrest float64) {
	n, variance := float64(p.N), sq(quietRate)
	for range 3 {
		for i := range p.XX {
			known[i] = drawn{}.plus(1/variance, p.XX[i])
			known[i][i] += sq(nominal / factorU)
		}
		m, b := known.joined(drawn{})
		for i := range p.XY {
			b[falls+i] = p.XY[i]/variance + sq(nominal/factorU)*factor/nominal
		}
		m[rising][rising] = 1
		at := solved(&m, b)
		rss := p.YY
		for i := range k {
			k[i] = at[falls+i]
		}
		for i := range k {
			rss -= 2 * k[i] * p.XY[i]
			for j := range k {
				rss += k[i] * k[j] * p.XX[i][j]
			}
		}
		variance = (priorFree*sq(quietRate) + max(0, rss)) / (priorFree + n)
	}
	return k, known, math.Sqrt(max(variance*math.Sqrt(2/(priorFree+n)), variance-p.U/max(1, n)))
}

// weights are the inverse of the covariance of how the level falls with each drawn evaporation.
type weights [len(drawn{})]drawn

// joined are the normal equations of what is known beforehand: k by its weights, the nuisances to one.
func (w weights) joined(k drawn) (m [unknowns]column, b column) {
	for i := early; i < unknowns; i++ {
		m[i][i] = 1
	}
	for i := range w {
		for j := range w {
			m[falls+i][falls+j] = w[i][j]
			b[falls+i] += w[i][j] * k[j]
		}
	}
	return m, b
}

// solved is x of m x = b, m symmetric and positive definite, by Cholesky's factors.
func solved(m *[unknowns]column, b column) (x column) {
	var l [unknowns]column
	for i := range l {
		for j := 0; j <= i; j++ {
			sum := m[i][j]
			for n := range j {
				sum -= l[i][n] * l[j][n]
			}
			if l[i][j] = sum / l[j][j]; i == j {
				l[i][j] = math.Sqrt(sum)
			}
		}
		x[i] = b[i]
		for n := range i {
			x[i] -= l[i][n] * x[n]
		}
		x[i] /= l[i][i]
	}
	for i := unknowns - 1; i >= 0; i-- {
		for n := i + 1; n < unknowns; n++ {
			x[i] -= l[n][i] * x[n]
		}
		x[i] /= l[i][i]
	}
	return x
}

// student95 is the quantile 0.975 of Student's t with n degrees of freedom (Abramowitz and Stegun
// 26.7.5), within 0.024 of the tables from three on.
func student95(n int) float64 {
	const z = 1.959964
	v, z3, z5, z7 := float64(n), math.Pow(z, 3), math.Pow(z, 5), math.Pow(z, 7)
	return z + (z3+z)/(4*v) + (5*z5+16*z3+3*z)/(96*v*v) + (3*z7+19*z5+17*z3-15*z)/(384*v*v*v)
}
