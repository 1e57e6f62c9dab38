package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
)

// overSocket sends one request over the daemon's local socket and decodes the answer. What the
// daemon refuses is the user's to mend.
func overSocket(ctx context.Context, socket, method, path string, in, out any) error {
	var body io.Reader
	if in != nil {
		b, err := json.Marshal(in)
		if err != nil {
			return err
		}
		body = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(ctx, method, "http://bayledger"+path, body)
	if err != nil {
		return err
	}
	client := http.Client{Transport: &http.Transport{
		DisableKeepAlives: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			var d net.Dialer
			return d.DialContext(ctx, "unix", socket)
		},
	}}
	res, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("the daemon does not answer at %s: %w; is it running, and may you use its socket?", socket, err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(io.LimitReader(res.Body, 16<<20))
	if err != nil {
		return fmt.Errorf("read the daemon's answer: %w", err)
	}
	if res.StatusCode != http.StatusOK {
		var fault struct {
			Error string `json:"error"`
		}
		if json.Unmarshal(text, &fault) != nil || fault.Error == "" {
			return fmt.Errorf("the daemon answered %s", res.Status)
		}
		err := errors.New(fault.Error)
		if res.StatusCode >= 400 && res.StatusCode < 500 {
			return badInput(err)
		}
		return err
	}
	if err := json.Unmarshal(text, out); err != nil {
		return fmt.Errorf("read the daemon's answer: %w", err)
	}
	return nil
}
