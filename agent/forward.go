package agent

import (
	"context"
	"time"

	"bayledger/agent/page"
	"bayledger/agent/words"
	"bayledger/historian/influx"
	"bayledger/historian/journal"
)

// sink is something that is sent what the journal holds.
type sink struct {
	id  string
	run func(ctx context.Context) error
	// events is how many events have not been taken over; nil where none are sent.
	events func(ctx context.Context) (int64, error)
	// waits is true when run waits on the agent's clock.
	waits bool
	// state is what page and metrics show, trouble what keeps it from taking data.
	state   func() page.Sink
	trouble func() string
}

// openSinks makes everything that sends what the journal holds, each with its own place in it: a
// forwarder for every historian of the site file, the relay, a notifier for every person. The
// places of those that have left the site file are given up.
func (a *Agent) openSinks(ctx context.Context, p *parts) error {
	var samples []string
	for _, o := range p.cfg.Influx {
		q, err := a.journal.Queue(ctx, o.Name, true)
		if err != nil {
			return err
		}
		f, err := influx.New(o, p.cfg.Site.ID, a.journal.Places, q, a.part("historian"))
		if err != nil {
			return err
		}
		samples = append(samples, o.Name)
		p.sinks = append(p.sinks, sink{id: o.Name, run: f.Run,
			state: func() page.Sink {
				st := f.Status()
				return page.Sink{ID: o.Name, Name: words.Of(p.cfg.Site).Say("historian %s", o.Name), Up: st.State == influx.Working || st.State == influx.Starting,
					Behind: st.Behind, Lag: a.lag(q)}
			},
			trouble: func() string { return f.Status().Trouble },
		})
	}
	if err := a.openRelay(ctx, p); err != nil {
		return err
	}
	events, err := a.openNotices(ctx, p)
	if err != nil {
		return err
	}
	if o := p.cfg.MQTT; o != nil {
		events = append(events, mqttQueue)
		if o.History {
			samples = append(samples, mqttQueue)
		}
	}
	return a.journal.Retire(ctx, samples, events)
}

// lag is the age of the oldest sample a sink has not taken; 0 when it has all, or when the journal
// cannot be asked, which is told by itself.
func (a *Agent) lag(q *journal.Queue) time.Duration {
	oldest, err := q.Oldest(context.Background()) // two single rows
	if err != nil || oldest.IsZero() {
		return 0
	}
	return max(0, a.clk.Now().Sub(oldest))
}

// InfluxAt is a historian without a password at a URL, with everything as usual.
func InfluxAt(url, bucket string) influx.Options {
	return influx.DefaultOptions("archive", url, bucket)
}
