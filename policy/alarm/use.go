package alarm

import (
	"cmp"
	"math"
	"time"
)

// Use remembers how much the humidifier ran in each of the last hours, and says how it will go on: by the hour of the day
// as yesterday, and in the next hours more or less by as much as the last ones were more or less than the same of yesterday.
type Use struct {
	Hours [useHours]float64 `json:"hours"` // hours of full output in each hour, a ring
	Next  int               `json:"next,omitempty"`
	Now   float64           `json:"now"` // hours of full output in the present hour
	For   float64           `json:"for"` // hours of the present one that have passed and count
	// Scaled is for how many of the last hours it was used for something else, and counts as it would have been used.
	Scaled float64 `json:"scaled,omitempty"`
	// Since is how many full hours it has been used for that, and Amiss by how many times more than was reckoned, as far as is known: all
	// that was used before counts so many times as much.
	Since int     `json:"since,omitempty"`
	Amiss float64 `json:"amiss,omitempty"` // 0: nothing is known
}

const (
	useHours = 48
	useDay   = 24
	// useRecent hours tell what has changed since yesterday: weather, stage, crop. Most of that passes: believed for a whole
	// day, it made one forecast in ten wrong by a third (50 simulated chamber-days); so it is believed for about useFade hours.
	useRecent = 3
	useFade   = 6.0
	// useLeast hours until something is known.
	useLeast = 2
	// useDoubt is the standard deviation, as a share, of a forecast for the next day by all this, when all is as it was;
	// common practice says that weather and crop move use by a tenth from day to day.
	useDoubt = 0.12
	// useTurned is by how much of its departure from yesterday, as a logarithm, the coming use is unsure: it may last, or be over.
	useTurned = 0.45
	// useScaled is that of use that was scaled to what is asked now, and useHeld the hours after which what is used then tells as much
	// as the reckoning: by physics, but a fan and a mist have other reasons to run, too. In the first useSettles hours walls and crop
	// take up or give off what they hold.
	useScaled  = 0.6
	useHeld    = 2.0
	useSettles = 1
	useAmiss   = 6.0 // times, at the most
)

// advance counts hours of full output over passed hours.
func (u *Use) advance(output, passed float64) {
	u.Now += output
	u.For += passed
	u.Scaled = max(0, u.Scaled-passed)
	for u.For >= 1 {
		share := 1 / u.For
		u.Hours[u.Next%useHours] = u.Now * share
		u.Now -= u.Now * share
		u.For--
		u.Next++
		u.settle()
	}
}

// settle learns from the hours since the use was scaled by how much that was amiss.
func (u *Use) settle() {
	if u.Scaled <= 0 {
		u.Since, u.Amiss = 0, 0
		return
	}
	u.Since++
	n := u.Since - useSettles
	if n < 1 || u.known() <= u.Since {
		return
	}
	old := cmp.Or(u.Amiss, 1)
	before := min(u.known()-u.Since, useDay)
	mean := u.sum(u.Since, before) / float64(before) / old
	reckoned := mean * float64(n)
	if u.known() >= useDay+n && n < useDay { // by the hours of the day
		reckoned = u.sum(useDay, n) / old
	}
	hold := useHeld * mean
	if reckoned+hold <= 0 {
		return
	}
	u.Amiss = max(1/useAmiss, min((u.sum(0, n)+hold)/(reckoned+hold), useAmiss))
	for i := u.Since; i < u.known(); i++ {
		u.Hours[(u.Next-1-i)%useHours] *= u.Amiss / old
	}
}

// scale has all that was used count so many times as much: from now on that much is needed for the same.
func (u *Use) scale(times float64) {
	if times == 1 {
		return
	}
	u.Now *= times
	u.Scaled, u.Since, u.Amiss = useDay, 0, 0
	for i := range u.Hours {
		u.Hours[i] *= times
	}
}

// ago gives the use in the hour that ended n hours before the last full one; 0 is the last.
func (u *Use) ago(n int) float64 { return u.Hours[(u.Next-1-n)%useHours] }

func (u *Use) known() int { return min(u.Next, useHours) }

// sum adds up hours from ago(first) on backward.
func (u *Use) sum(first, n int) float64 {
	var s float64
	for i := first; i < first+n && i < u.known(); i++ {
		s += u.ago(i)
	}
	return s
}

// trend is how much more the last hours used than the same ones of yesterday, held back where both are little.
func (u *Use) trend() float64 {
	if u.known() < useDay+useRecent || u.Scaled > 0 {
		return 1
	}
	hold := 0.5 * u.sum(0, useDay) * useRecent / useDay
	return max(0.2, min((u.sum(0, useRecent)+hold)/(u.sum(useDay, useRecent)+hold), 5))
}

// rate is the use to come in the n-th hour from now.
func (u *Use) rate(n int, trend float64) float64 {
	switch k := u.known(); {
	case k >= useDay:
		// What will be n hours from now was 24-n hours ago: the mean of that hour and its neighbors, for pulses are coarse.
		at := useDay - 1 - n%useDay
		return (1 + (trend-1)*math.Exp(-float64(n)/useFade)) * (u.ago(at) + u.ago(max(0, at-1)) + u.ago(min(useDay-1, at+1))) / 3
	case k > 0:
		return u.sum(0, k) / float64(k)
	}
	return 0
}

// mean is the use of the last day, hours of full output an hour.
func (u *Use) mean() (float64, bool) {
	k := min(u.known(), useDay)
	if k < useLeast {
		return 0, false
	}
	return u.sum(0, k) / float64(k), true
}

// Daily is the use of the last day, and the hours that it rests on; 0: that is not known. Hours without water do not count.
func (u *Use) Daily() (outputPerHour, hours float64) {
	mean, known := u.mean()
	if !known {
		return 0, 0
	}
	return mean, float64(min(u.known(), useDay))
}

// last gives in how many hours so much output is used up, at most 500.
func (u *Use) last(output float64) float64 {
	trend := u.trend()
	mean, ok := u.mean()
	if !ok || mean <= 0 {
		return useMost
	}
	for n := range int(useMost) {
		r := u.rate(n, trend)
		if r > 0 && output <= r {
			return float64(n) + output/r
		}
		output -= r
	}
	return useMost
}

// useMost bounds a forecast, in hours; FarthestEmpty is it as a time.
const (
	useMost       = 500.0
	FarthestEmpty = useMost * time.Hour
)

// doubt is the relative standard deviation of a forecast over so many hours.
func (u *Use) doubt(hours float64) float64 {
	d := useDoubt
	if u.known() < useDay {
		d *= 2.5 // neither the course of the day nor its change is known
	}
	scaled := useScaled / math.Sqrt(1+float64(max(0, u.Since-useSettles))/useHeld)
	turned := useTurned * math.Log(u.trend())
	return math.Hypot(math.Hypot(d*math.Sqrt(min(1, math.Max(hours, 1)/24)), turned), scaled*math.Sqrt(u.Scaled/useDay))
}
