package procedure

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Six bays, every one of the 720 orders of their meters, each with orders of sensors and valves drawn
// with it: one pass names what belongs to what, and the lines put it right. What each of the three
// kinds does alone is among them.
func TestWiringOfSixBays(t *testing.T) {
	ids := []string{"A1", "A2", "A3", "A4", "A5", "A6"}
	orders := [][]int{{}}
	for n := range ids {
		var next [][]int
		for _, o := range orders {
			for at := range n + 1 {
				next = append(next, slices.Insert(slices.Clone(o), at, n))
			}
		}
		orders = next
	}
	require.Len(t, orders, 720)
	rng := rand.New(rand.NewPCG(6, 6))
	straight := []int{0, 1, 2, 3, 4, 5}
	for n, meter := range orders {
		valve, level := orders[rng.IntN(720)], orders[rng.IntN(720)]
		switch n % 8 { // each kind alone, and two at once, too
		case 0:
			valve, level = straight, straight
		case 1:
			valve, meter, level = meter, straight, straight
		case 2:
			valve, meter, level = straight, straight, meter
		case 3:
			valve = straight
		case 4:
			level = straight
		}
		h := &house{site: siteOf(6)}
		r := &run{}
		want := map[string]string{}
		for i, id := range ids {
			bay := valve[i]
			notes := map[string]string{"at": ids[bay], "meter": ids[meter[bay]], "level": ids[level[bay]]}
			r.Results = append(r.Results, Result{Step: "valve " + id, Notes: notes})
			want["valve of "+ids[bay]], want["meter of "+ids[bay]], want["level of "+ids[bay]] = id, ids[meter[bay]], ids[level[bay]]
		}
		v := (&look{house: h, run: r}).wiring()
		require.Equal(t, want, v.Notes, "%v %v %v", valve, meter, level)
		right := slices.Equal(valve, straight) && slices.Equal(meter, straight) && slices.Equal(level, straight)
		require.Equal(t, map[bool]State{true: Passed, false: Failed}[right], v.State)
		first := slices.IndexFunc(r.Results, func(x Result) bool {
			id := strings.TrimPrefix(x.Step, "valve ")
			return x.Notes["at"] != id || x.Notes["meter"] != id || x.Notes["level"] != id
		})
		if !right {
			require.Equal(t, r.Results[first].Step, v.Back, "what is put right is proved again from there on")
		}
		// Carried out, the lines leave nothing mixed up: every bay reads its own registers, and every
		// valve's wire is on its own output.
		lines := strings.Join(v.Fix, "\n")
		for i, id := range ids {
			for what, shown := range map[string]int{"meter": meter[i], "level": level[i]} {
				line := fmt.Sprintf("bay %s: points: %s: { register %s-%s }", id, what, ids[shown], what)
				require.Equal(t, shown != i, strings.Contains(lines, line), "%s in %s", line, lines)
			}
			move := fmt.Sprintf("feeds bay %s from output %s to output %s", ids[valve[i]], id, ids[valve[i]])
			require.Equal(t, valve[i] != i, strings.Contains(lines, move), "%s in %s", move, lines)
		}
	}
}

// Every permutation of three bays' meters, sensors and valves (6 x 6 x 6) is named from one pass.
func TestWiringOfEveryPermutation(t *testing.T) {
	ids := []string{"A1", "A2", "A3"}
	perms := [][3]int{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}}
	for _, valve := range perms {
		for _, meter := range perms {
			for _, level := range perms {
				x := newBench(t)
				x.start(WiringProof, "")
				require.NoError(t, x.answer("yes"))
				x.wait(6 * time.Minute)
				want := map[string]string{}
				for i, id := range ids {
					require.Equal(t, "valve "+id, x.run().Now.Step, x.run().Now.Verdict.Says)
					bay := valve[i]
					want["valve of "+ids[bay]] = id
					want["meter of "+ids[bay]] = ids[meter[bay]]
					want["level of "+ids[bay]] = ids[level[bay]]
					for x.run().Now.Verdict.Phase != "shut" {
						require.NotEqual(t, Failed, x.run().Now.Verdict.State, x.run().Now.Verdict.Says)
						x.total[ids[meter[bay]]] += 4e-3
						x.level[ids[level[bay]]] += 4e-4
						x.step()
					}
					require.NoError(t, x.answer(ids[bay]))
					x.wait(3 * time.Minute)
				}
				var got map[string]string
				if r := x.run(); r != nil {
					require.Equal(t, "wiring", r.Now.Step, r.Now.Verdict.Says)
					got = r.Now.Verdict.Notes
				} else {
					rec := x.b.Picture().Records[0]
					require.True(t, rec.SignedOff)
					got = rec.Results[len(rec.Results)-1].Notes
				}
				require.Equal(t, want, got)
			}
		}
	}
}
