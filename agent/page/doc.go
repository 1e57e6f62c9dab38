// Package page is what people see of the watch: the web page for pump house, phone and morning
// round, the JSON API, /metrics and /healthz. Everything it needs is embedded; it asks nothing
// of the network.
//
// The agent publishes an immutable View by an atomic pointer and hands New a function that
// loads it; a handler takes the pointer once and reads from that alone, so a page never mixes
// two moments. History, events, records and metrics come through the small interfaces of Deps.
// The agent owns the listener and the http.Server; ServerTimeouts sets the latter's limits, and
// Close ends the streams, which http.Server.Shutdown would otherwise wait for.
//
// Every page is complete without JavaScript. The script only listens to the stream and, when
// the view has changed, fetches the same page again and exchanges the parts marked data-live:
// there is one place that puts a reading into words, and it is here.
//
// What hurts: the policy allows no inline script or style, so a width that depends on data must
// be an SVG attribute or a rule in /assets/plan.css, which is made from the site's geometry.
package page
