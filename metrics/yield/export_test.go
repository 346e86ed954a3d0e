package yield

import "context"

// Found answers the questions of a season as [Make] does, without the intervals, which take most of its time.
func Found(ctx context.Context, s *Season) ([]Relation, error) {
	r := &Report{}
	for i := range s.Batches {
		for j := range s.Batches[i].Flushes {
			r.Harvests = append(r.Harvests, s.harvest(&s.Batches[i], &s.Batches[i].Flushes[j]))
		}
	}
	r.relate()
	ask, _ := questions(r.Harvests)
	return relations(ctx, ask, 0, func(float64) {})
}
