package agent

import (
	"context"
	"errors"
	"slices"
	"time"

	"bayledger/agent/access"
	"bayledger/agent/page"
	"bayledger/agent/site"
	"bayledger/agent/watch"
	"bayledger/historian/journal"
)

// pageDeps is what the page is given: what is written needs a users file, what is drawn the
// journal.
func (a *Agent) pageDeps(o page.Options) (page.Deps, error) {
	d := page.Deps{View: a.View, Now: a.clk.Now, Metrics: page.MetricsHandler(a.registry, a.part("metrics")), Log: a.part("page"),
		History: pageHistory{a.journal}, Record: a.Record, Able: watch.Able, Calibration: a.keeper.calibration}
	if o.UsersFile == "" {
		return d, nil
	}
	st, err := access.Open(o.UsersFile, o.TLS(), a.clk.Now)
	if err != nil {
		return d, err
	}
	d.Access, a.users = st, st
	users, err := st.Users()
	if err == nil && !slices.ContainsFunc(users, func(u access.User) bool { return u.Role == access.Keeper }) {
		a.part("page").Warn("nobody can log in yet; bayledger user invite makes an invitation", "users_file", o.UsersFile)
	}
	return d, err
}

// pageHistory answers the page from the journal.
type pageHistory struct{ j *journal.Journal }

func (h pageHistory) Events(ctx context.Context, from, to time.Time, bay string, limit int) ([]site.Event, error) {
	// The newest are wanted, and only some are the bay's, so the query is as long as it may be.
	stored, err := h.j.Events(ctx, journal.EventQuery{From: from, To: to, Newest: true, Limit: 10_000})
	if err != nil {
		return nil, err
	}
	var out []site.Event
	for _, e := range stored {
		if bay == "" || e.Event.Bay == bay || slices.Contains(e.Event.Bays, bay) {
			if out = append(out, e.Event); len(out) == limit {
				break
			}
		}
	}
	slices.Reverse(out)
	return out, nil
}

func (h pageHistory) Records(ctx context.Context, from, to time.Time, kinds ...site.RecordKind) ([]site.Record, error) {
	all, err := h.j.Records(ctx, 0, 0, kinds...)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(r site.Record) bool { return r.Time.Before(from) || !r.Time.Before(to) }), nil
}

func (h pageHistory) Series(ctx context.Context, point string, from, to time.Time, step time.Duration) ([]page.Dot, error) {
	if !to.After(from) {
		return nil, errors.New("the span ends before it begins")
	}
	buckets, err := h.j.Series(ctx, point, from, to, step)
	if err != nil {
		return nil, err
	}
	dots := make([]page.Dot, 0, len(buckets))
	for _, b := range buckets {
		dots = append(dots, page.Dot{Time: b.Start, Value: b.Mean, Min: b.Min, Max: b.Max})
	}
	return dots, nil
}
