// Package relay publishes a site over MQTT 3.1.1: live values, open alarms, status and the list
// of points as retained topics, events (and history, when asked for) from the journal's queues.
//
// What holds:
//
//   - An event leaves its queue only when the broker's PUBACK for it has been seen on the very
//     connection it was sent on. The library's token alone does not say that: with automatic
//     reconnection it completes without an acknowledgement. So every connection is a client of its
//     own with a clean session, and the loop that reconnects is here. After a lost connection
//     everything not acknowledged is sent again, in order: a reader may see an event twice, told
//     by its seq, and never misses one the broker took. What the broker keeps for readers that are
//     away is the broker's persistence.
//   - A retained live value never goes back in time, over starts neither: what the broker keeps is
//     asked for at every connection. Between two sends only the newest value of a point is kept, so
//     memory is bounded by the number of points however long the broker is away.
//   - Nothing here blocks its caller: Live, Alarms, Reload and Kick only note what is to be sent.
//   - Status is "online" from the first moment of a connection and "offline" after it, by the
//     broker (will) when the connection breaks and by us, acknowledged, before we leave.
//   - Live topics of points and bays that are no longer in the site file are cleared at every
//     connection and reload.
package relay
