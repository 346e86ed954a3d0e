package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"gillkeeper/policy"
)

// Together stores actions of several chambers at once, for an import. Every [Journal] of this package can.
type Together interface {
	// ActTogether is [Journal.Act] for all of the actions or none: when it returns without an error all of them survive
	// a power cut, and a process that dies before has stored none of them. Each ID must be new. Seq of the acted is
	// ignored; it gives those of the stored, in their order.
	ActTogether(ctx context.Context, acts []Acted) (seqs []int64, err error)
}

var (
	_ Together = (*SQLite)(nil)
	_ Together = (*Memory)(nil)
)

// ActTogether implements [Together].
func (j *SQLite) ActTogether(ctx context.Context, acts []Acted) ([]int64, error) {
	bodies := make([]string, len(acts))
	for i := range acts {
		if err := checkAction(acts[i].Chamber, &acts[i].Action); err != nil {
			return nil, err
		}
		body, err := json.Marshal(&acts[i].Action)
		if err != nil {
			return nil, fmt.Errorf("journal: the action cannot be written down: %w", err)
		}
		bodies[i] = string(body)
	}
	f, leave, err := j.use(ctx)
	if err != nil {
		return nil, err
	}
	seqs, err := j.actTogether(f, acts, bodies)
	leave()
	if errors.Is(err, ErrIDTaken) {
		return nil, err
	}
	return seqs, j.failedAt(ctx, f, "to store actions in", err)
}

func (j *SQLite) actTogether(f *file, acts []Acted, bodies []string) ([]int64, error) {
	if !f.there() {
		return nil, damage("somebody took the file away")
	}
	j.gate.hurry()
	defer j.gate.done()
	var seqs []int64
	var lines []mirrorLine
	err := f.sure.tx(func() error {
		for i := range acts {
			a := &acts[i].Action
			var seq int64
			if found, err := f.sure.row("SELECT seq FROM actions WHERE id = ?", []any{a.ID}, &seq); err != nil {
				return err
			} else if found {
				return fmt.Errorf("%w: %s", ErrIDTaken, a.ID)
			}
			seq = f.seq + int64(i) + 1
			if err := f.act(seq, acts[i].Chamber, a, bodies[i]); err != nil {
				return err
			}
			seqs = append(seqs, seq)
			lines = append(lines, mirrorLine{Seq: seq, Chamber: acts[i].Chamber, Action: json.RawMessage(bodies[i])})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	f.seq += int64(len(acts))
	_ = j.mirror.append(lines) // as with one action: completed at the next opening where it fails now
	return seqs, nil
}

// ActTogether implements [Together].
func (m *Memory) ActTogether(ctx context.Context, acts []Acted) ([]int64, error) {
	for i := range acts {
		if err := checkAction(acts[i].Chamber, &acts[i].Action); err != nil {
			return nil, err
		}
	}
	if err := m.enter(ctx); err != nil {
		return nil, err
	}
	defer m.mu.Unlock()
	fresh := map[string]bool{}
	for i := range acts {
		id := acts[i].Action.ID
		if _, taken := m.byID[id]; taken || fresh[id] {
			return nil, fmt.Errorf("%w: %s", ErrIDTaken, id)
		}
		fresh[id] = true
	}
	var seqs []int64
	for _, a := range acts {
		m.byID[a.Action.ID] = len(m.actions)
		m.seq++
		m.actions = append(m.actions, Acted{Seq: m.seq, Chamber: a.Chamber, Action: a.Action})
		seqs = append(seqs, m.seq)
	}
	return seqs, nil
}

// CropQuery asks for every entry of a chamber's crop record; of all chambers when it names none.
func CropQuery(chamber string) ActionQuery {
	return ActionQuery{Chamber: chamber, Kinds: policy.CropKinds()}
}
