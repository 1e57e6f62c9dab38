package watch

import (
	"bytes"
	"encoding/gob"
	"errors"
	"fmt"
)

// SnapshotVersion changes whenever what is kept, or what it means, changes.
const SnapshotVersion = 15

// ErrSnapshot is wrapped by every error of Restore.
var ErrSnapshot = errors.New("the snapshot cannot be used")

type snapshot struct {
	Version int
	Site    state
	Bays    []baySnapshot
	Feeds   []feedSnapshot
}

type baySnapshot struct {
	ID string
	St bayState
}

type feedSnapshot struct {
	ID string
	St feedState
}

// Snapshot returns everything the watch remembers. Together with the ledger's snapshot of the
// same moment it lets a watch of the same site go on exactly as this one would.
func (w *Watch) Snapshot() ([]byte, error) {
	s := snapshot{Version: SnapshotVersion, Site: w.st}
	for _, y := range w.bays {
		s.Bays = append(s.Bays, baySnapshot{y.b.ID, y.st})
	}
	for i := range w.feeds {
		s.Feeds = append(s.Feeds, feedSnapshot{w.feeds[i].p.ID, w.feeds[i].st})
	}
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(&s); err != nil {
		return nil, fmt.Errorf("watch: snapshot: %w", err)
	}
	return b.Bytes(), nil
}

// Restore takes up a snapshot; the ledger must have restored its own before. Bays and points the
// site file no longer has are dropped. On an error nothing changes, and the error wraps
// ErrSnapshot.
func (w *Watch) Restore(data []byte) error {
	var s snapshot
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&s); err != nil {
		return fmt.Errorf("watch: restore: %w: %w", ErrSnapshot, err)
	}
	if s.Version != SnapshotVersion {
		return fmt.Errorf("watch: restore: %w: version %d is not %d", ErrSnapshot, s.Version, SnapshotVersion)
	}
	w.st = s.Site
	for _, b := range s.Bays {
		for _, y := range w.bays {
			if y.b.ID == b.ID {
				y.st = b.St
				w.l.Look(y.i, &y.look)
			}
		}
	}
	for _, f := range s.Feeds {
		if i, ok := w.index.Find(f.ID); ok {
			w.feeds[i].st = f.St
		}
	}
	return nil
}
