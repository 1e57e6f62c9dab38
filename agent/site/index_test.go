package site_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// TestIndexFindsInAnyOrder: what came before changes how fast a point is found, never which.
func TestIndexFindsInAnyOrder(t *testing.T) {
	points := []site.Point{{ID: "a"}, {ID: "b"}, {ID: "c"}, {ID: "d"}}
	x := site.NewIndex(points)
	rng := rand.New(rand.NewPCG(1, 2))
	for range 1000 {
		want := rng.IntN(len(points))
		i, ok := x.Find(points[want].ID)
		require.True(t, ok)
		require.Equal(t, want, i)
		if rng.IntN(5) == 0 {
			_, ok = x.Find("e")
			require.False(t, ok)
		}
	}
	_, ok := site.NewIndex(nil).Find("a")
	require.False(t, ok)
}
