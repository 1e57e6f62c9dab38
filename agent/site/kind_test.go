package site

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestExplainsAsDesigned holds the table against the design's (section 4, column "explains"), row by
// row. A row may explain more than is written there, what its cause plainly brings about; less it may
// not. Of a silent reading the design says that all that rests on it is explained: the watch does
// not judge what it has not heard, so nothing is left to fold.
func TestExplainsAsDesigned(t *testing.T) {
	ofLevel := []Kind{Overfill, Overflowing, Drying}
	onBay := []Kind{ValveStuckOpen, ValveStuckClosed, ValveWeeping, LowFlow, Leak, UnexplainedLoss, SeepageBetweenBays, Overfill, Overflowing, OverflowFault,
		Drying, SlowChamber, LevelSensorFault, MeterFault}
	designed := map[Kind][]Kind{
		ValveStuckOpen: {Overfill, Overflowing}, ValveStuckClosed: {Drying}, ValveWeeping: nil, LowFlow: {Drying}, NoSupply: {ValveStuckClosed, Drying},
		PressureOutOfBand: nil, Leak: {Drying}, SupplyLineLeak: nil, UnexplainedLoss: nil, SeepageBetweenBays: {Drying, Overfill}, Overfill: nil, Overflowing: nil,
		OverflowFault: {Overfill, Leak}, Drying: nil,
		// A late chamber shows a rising level too low, so that it overflows is not its doing.
		SlowChamber:      {Overfill, Drying},
		LevelSensorFault: ofLevel, MeterFault: {Leak, ValveStuckClosed}, MainMeterFault: {SupplyLineLeak}, WiringMismatch: onBay, FreezeRisk: nil,
		NoData: nil, LinkDown: {NoData}, ClockUnsure: nil, JournalFault: nil, DiskFull: nil, SinkUnreachable: nil, IsolationClosed: {NoSupply, Drying},
	}
	require.Len(t, designed, len(Kinds))
	for _, k := range Kinds {
		want, known := designed[k.Kind]
		require.True(t, known, k.Kind)
		for _, effect := range want {
			require.True(t, slices.ContainsFunc(k.Explains, func(e Explains) bool { return e.Kind == effect }), "%s explains %s", k.Kind, effect)
		}
	}
}
