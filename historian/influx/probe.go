package influx

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// markerName is the measurement of the markers that Probe writes.
const markerName = "bayledger_check"

// Probe writes one marker line to a destination with its own settings and reads it back. A
// destination whose token may only write, or whose server speaks no query language known here,
// gives readBack false and no error: note says why. It does not disturb a forwarder that runs.
func Probe(ctx context.Context, o Options, siteID string, now time.Time) (readBack bool, note string, err error) {
	c, err := newClient(o)
	if err != nil {
		return false, "", err
	}
	defer c.close()
	marker := strconv.FormatInt(now.UnixMilli(), 10)
	if err := c.write.WriteRecord(ctx, fmt.Sprintf("%s,site=%s value=%s %s", markerName, siteID, marker, marker)); err != nil {
		if a, ok := errors.AsType[*answer](err); ok {
			return false, "", a
		}
		return false, "", err
	}
	token := ""
	if o.Token != nil {
		if token, err = o.Token(); err != nil {
			return false, "", err
		}
	}
	req, err := o.question(ctx, siteID)
	if err != nil {
		return false, "", err
	}
	if token != "" {
		req.Header.Set("Authorization", "Token "+token)
	}
	resp, err := (&http.Client{Transport: c.base, Timeout: o.Timeout}).Do(req)
	if err != nil {
		return false, "", fmt.Errorf("read the marker back: %w", err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, 1<<16))
	switch {
	case resp.StatusCode == http.StatusUnauthorized || resp.StatusCode == http.StatusForbidden:
		return false, "the token may write only, which is right for a site", nil
	case resp.StatusCode/100 != 2:
		return false, "the server takes no query: " + resp.Status, nil
	case err != nil:
		return false, "", fmt.Errorf("read the marker back: %w", err)
	case o.Org == "" && notAllowed(body):
		return false, "the user may write only, which is right for a site", nil
	case !strings.Contains(string(body), marker):
		return false, "", errors.New("the server took the marker and does not show it: the bucket it is read from is another, or an old backup answers")
	}
	return true, "", nil
}

// notAllowed reports whether a 1.8 has answered 200 with an error about rights in it.
func notAllowed(body []byte) bool {
	var a struct {
		Results []struct {
			Error string `json:"error"`
		} `json:"results"`
	}
	return json.Unmarshal(body, &a) == nil && len(a.Results) == 1 && strings.Contains(a.Results[0].Error, "not authorized")
}

// question asks for the newest marker of the site: in InfluxQL for 1.8, which has no organisation,
// otherwise in Flux.
func (o Options) question(ctx context.Context, siteID string) (*http.Request, error) {
	base := strings.TrimRight(o.URL, "/")
	if o.Org == "" {
		database, policy, _ := strings.Cut(o.Bucket, "/")
		from := fmt.Sprintf("%q", markerName)
		if policy != "" {
			from = fmt.Sprintf("%q.%s", policy, from)
		}
		q := url.Values{"db": {database}, "epoch": {"ms"}, "q": {fmt.Sprintf(`SELECT last("value") FROM %s WHERE "site" = '%s'`, from, siteID)}}
		return http.NewRequestWithContext(ctx, http.MethodGet, base+"/query?"+q.Encode(), nil)
	}
	flux := fmt.Sprintf(`from(bucket: %q) |> range(start: -1h) |> filter(fn: (r) => r._measurement == %q and r.site == %q) |> last() |> map(fn: (r) => ({r with _value: string(v: int(v: r._value))}))`, o.Bucket, markerName, siteID)
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, base+"/api/v2/query?"+url.Values{"org": {o.Org}}.Encode(), strings.NewReader(flux))
	if err == nil {
		req.Header.Set("Content-Type", "application/vnd.flux")
		req.Header.Set("Accept", "application/csv")
	}
	return req, err
}
