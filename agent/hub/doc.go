// Package hub hears many sites over MQTT and holds the newest state of each, for one /metrics.
//
// A site behind somebody's router cannot be scraped; it publishes, outbound only, and a hub is an
// ordinary subscriber of its topics. What it serves has the names and labels a site's own
// /metrics has, so the same rules work on it.
//
// What holds:
//
//   - Which site a message is of is told by its topic alone, which the broker's access list
//     guards. What a payload claims of another site, or of a bay or point that is not in the
//     site's own retained list, is refused and counted; so is a site that nobody told the hub of.
//   - The broker keeps everything the hub needs (retained), and the hub keeps nothing: it may be
//     stopped at any time, and any number of replicas each hold the whole. Rules take the maximum
//     over them, max without (instance).
//   - A retained value looks alive for ever. A site of which nothing new has come for SilentAfter,
//     or which the broker says is offline, is silent: bayledger_hub_site_up is 0 and of all its
//     values only its open alarms stay, for an alarm must not read as over because its site is
//     cut off. While the hub itself has no broker it judges no site.
//   - Memory is bounded by the sites' lists of points, each with an upper limit.
package hub
