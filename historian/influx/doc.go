// Package influx brings the journal's samples to InfluxDB: 1.8, 2.x, 3 and whatever else takes
// line protocol over /api/v2/write.
//
// A Forwarder is one destination with its own place in the journal. It sends the newest samples
// first and what is missing before them in between, so that a backlog of days never stands in
// front of what happens now; a line written twice changes nothing, since time, tags and field
// are the same.
//
// Only 204 counts as stored. Any other answer is sorted by what helps: try again later, cut the
// batch in halves until a line the server refuses stands alone, or tell a person. A captive
// portal's friendly page is not an answer of the database.
//
// What a line looks like is fixed (encode.go) and documented in deploy/influxdb.
package influx
