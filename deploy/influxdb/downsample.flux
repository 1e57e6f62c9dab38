// Task for InfluxDB 2.x: hourly means of every point into a bucket that is kept for years. The
// range is two days, so that what arrives after an outage is taken in as well.
option task = {name: "bayledger hourly", every: 10m}

from(bucket: "raw")
    |> range(start: -2d)
    |> filter(fn: (r) => r._field == "value")
    |> aggregateWindow(every: 1h, fn: mean, createEmpty: false)
    |> set(key: "_field", value: "mean")
    |> to(bucket: "season")
