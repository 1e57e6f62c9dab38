package agent

import (
	"context"

	"bayledger/agent/page"
	"bayledger/agent/relay"
	"bayledger/agent/site"
	"bayledger/historian/journal"
)

// relayPart is MQTT out: live values and alarms as they come, events from the journal's queue.
type relayPart struct{ *relay.Relay }

// mqttQueue is the relay's name in the journal and among the sinks.
const mqttQueue = "mqtt"

// openRelay builds the relay when the site file names a broker.
func (a *Agent) openRelay(ctx context.Context, p *parts) error {
	if p.cfg.MQTT == nil {
		return nil
	}
	o := *p.cfg.MQTT
	o.Started, o.TellsItself, o.Standing = a.started, len(p.cfg.People) > 0, a.watchStanding
	events, err := a.journal.EventQueue(ctx, mqttQueue)
	if err != nil {
		return err
	}
	var samples relay.History
	if o.History {
		if samples, err = a.journal.Queue(ctx, mqttQueue, true); err != nil {
			return err
		}
	}
	r, err := relay.New(o, p.cfg.Site, relayEvents{events}, samples, a.clk, a.part("mqtt"), a.opts.Version)
	if err != nil {
		return err
	}
	p.relay = &relayPart{r}
	p.sinks = append(p.sinks, sink{id: mqttQueue, run: r.Run, events: events.Backlog,
		state:   func() page.Sink { return page.Sink{ID: mqttQueue, Name: "MQTT broker", Up: r.Status().Connected} },
		trouble: func() string { return r.Status().Err },
	})
	return nil
}

// publish hands a commit on. It does not block.
func (r *relayPart) publish(samples []site.Sample, events int, v *page.View) {
	r.Live(samples)
	r.Alarms(openAlarms(v))
	if events > 0 {
		r.Kick()
	}
}

// relayEvents is the journal's queue of events as the relay wants it.
type relayEvents struct{ *journal.EventQueue }

// Next implements relay.Events.
func (q relayEvents) Next(ctx context.Context, limit int) ([]relay.Event, error) {
	stored, err := q.EventQueue.Next(ctx, limit)
	out := make([]relay.Event, len(stored))
	for i, e := range stored {
		out[i] = relay.Event{Pos: e.Pos, Event: e.Event}
	}
	return out, err
}
