package keeper

// backlog is what waits to be written down, in order. While the journal fails it grows; beyond the most that it may hold, the oldest go.
// Whoever has it guards it.
type backlog[T any] struct {
	wait []T
	lost int // since it was last asked for
}

// add puts something at the end.
func (b *backlog[T]) add(most int, items ...T) {
	b.wait = append(b.wait, items...)
	b.trim(most)
}

// back puts what could not be written at the front, where it came from.
func (b *backlog[T]) back(most int, items []T) {
	b.wait = append(items, b.wait...)
	b.trim(most)
}

// trim makes room, and more than is needed at the moment: or each addition to a full backlog would move all of it.
func (b *backlog[T]) trim(most int) {
	if len(b.wait) <= most {
		return
	}
	over := len(b.wait) - most + most/10
	b.wait = append(b.wait[:0:0], b.wait[over:]...)
	b.lost += over
}

func (b *backlog[T]) take() []T {
	w := b.wait
	b.wait = nil
	return w
}

func (b *backlog[T]) takeLost() int {
	n := b.lost
	b.lost = 0
	return n
}
