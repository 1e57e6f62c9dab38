package water

import (
	"bytes"
	"encoding/gob"
	"errors"
	"fmt"
)

// SnapshotVersion changes whenever what is kept, or what it means, changes: an older snapshot is
// then rebuilt from the journal.
const SnapshotVersion = 13

// ErrSnapshot is wrapped by every error of Restore.
var ErrSnapshot = errors.New("the snapshot cannot be used")

type snapshot struct {
	Version int
	Ledger  ledgerState
	Bays    []baySnapshot
}

type baySnapshot struct {
	ID   string
	Area float64
	St   bayState
}

// Snapshot returns everything the ledger knows, so that a ledger of the same site that restores
// it goes on exactly as this one would.
func (l *Ledger) Snapshot() ([]byte, error) {
	s := snapshot{Version: SnapshotVersion, Ledger: l.st}
	for _, y := range l.bays {
		s.Bays = append(s.Bays, baySnapshot{y.b.ID, y.b.AreaM2, y.st})
	}
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(&s); err != nil {
		return nil, fmt.Errorf("water: snapshot: %w", err)
	}
	return b.Bytes(), nil
}

// Restore takes up a snapshot. A bay that the site file no longer has is dropped, a bay that is
// new or whose area changed starts afresh. On an error the ledger is unchanged, and the error
// wraps ErrSnapshot.
func (l *Ledger) Restore(data []byte) error {
	var s snapshot
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&s); err != nil {
		return fmt.Errorf("water: restore: %w: %w", ErrSnapshot, err)
	}
	if s.Version != SnapshotVersion {
		return fmt.Errorf("water: restore: %w: version %d is not %d", ErrSnapshot, s.Version, SnapshotVersion)
	}
	l.st = s.Ledger
	for _, b := range s.Bays {
		if i, ok := l.byID[b.ID]; ok && l.bays[i].b.AreaM2 == b.Area {
			l.bays[i].st = b.St
		}
	}
	return nil
}
