package crop

// FreshG is what the flush gave so far, in grams.
func (f *Flush) FreshG() float64 {
	sum := 0.0
	for _, p := range f.Pickings {
		sum += p.FreshG
	}
	return sum
}

// FreshG is what the batch gave so far, in grams.
func (b *Batch) FreshG() float64 {
	sum := 0.0
	for i := range b.Flushes {
		sum += b.Flushes[i].FreshG()
	}
	return sum
}

// BiologicalEfficiency is the fresh weight harvested by the dry weight of the substrate, as a ratio, of all flushes so
// far. It is 0 when the dry weight is not known. (The definition is common to the trade's handbooks, for instance
// Stamets, Growing Gourmet and Medicinal Mushrooms.)
func (b *Batch) BiologicalEfficiency() float64 { return b.efficiency(b.FreshG()) }

// FlushEfficiency is the biological efficiency of one flush alone; the flushes of a batch add up to the batch's.
func (b *Batch) FlushEfficiency(f *Flush) float64 { return b.efficiency(f.FreshG()) }

func (b *Batch) efficiency(freshG float64) float64 {
	if !(b.DryKg > 0) {
		return 0
	}
	return freshG / (1000 * b.DryKg)
}
