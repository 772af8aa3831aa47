package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"time"

	"halfturn/sweep/queue"
)

const (
	hookLimit    = time.Minute
	webhookLimit = 10 * time.Second
	webhookTries = 3
)

// JobEnd is what hook and webhook are told.
type JobEnd struct {
	Bench string    `json:"bench"`
	Job   queue.Job `json:"job"`
}

// ended tells the world that a job has ended, beside what goes on.
func (d *Daemon) ended(j queue.Job) {
	d.metrics.ended.WithLabelValues(string(j.State)).Inc()
	d.log.Info("job ended", "job", j.ID, "name", j.Name, "state", string(j.State), "verdict", string(j.Verdict), "reason", j.Reason)
	s := &d.config().Serve
	if len(s.Hook) == 0 && s.Webhook == "" {
		return
	}
	text, err := json.Marshal(JobEnd{Bench: d.Config.Bench.Name, Job: j})
	if err != nil {
		d.log.Error("a job cannot be told", "job", j.ID, "error", err.Error())
		return
	}
	if len(s.Hook) > 0 {
		d.ends.Go(func() {
			if err := runHook(d.endsCtx, s.Hook, &j, text); err != nil {
				d.log.Warn("the hook failed", "job", j.ID, "command", s.Hook[0], "error", err.Error())
			}
		})
	}
	if s.Webhook != "" {
		d.ends.Go(func() {
			if err := d.post(s.Webhook, text); err != nil {
				d.log.Warn("the webhook failed", "job", j.ID, "error", err.Error())
			}
		})
	}
}

// runHook runs a command with the job as JSON on its standard input.
func runHook(ctx context.Context, command []string, j *queue.Job, text []byte) error {
	ctx, cancel := context.WithTimeout(ctx, hookLimit)
	defer cancel()
	cmd := exec.CommandContext(ctx, command[0], command[1:]...)
	cmd.WaitDelay = time.Second
	cmd.Env = append(os.Environ(), "JOB_ID="+fmt.Sprint(j.ID), "JOB_NAME="+j.Name, "JOB_STATE="+string(j.State), "JOB_VERDICT="+string(j.Verdict))
	cmd.Stdin = bytes.NewReader(text)
	out, err := cmd.CombinedOutput()
	if err != nil && len(out) > 0 {
		const most = 200
		return fmt.Errorf("%w: %.*q", err, most, bytes.TrimSpace(out))
	}
	return err
}

// post sends a body, a few times where that fails. What the address is stays
// out of errors, since it may hold a secret.
func (d *Daemon) post(address string, body []byte) (err error) {
	wait := d.config().Serve.Backoff
	for try := range webhookTries {
		if try > 0 {
			select {
			case <-time.After(wait):
			case <-d.endsCtx.Done():
				return err
			}
			wait *= 2
		}
		if err = postOnce(d.endsCtx, address, body); err == nil {
			return nil
		}
	}
	return fmt.Errorf("given up after %d tries: %w", webhookTries, err)
}

// hooks follow no redirect: the body goes where the configuration says.
var hooks = &http.Client{
	Timeout:       webhookLimit,
	CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	Transport:     &http.Transport{Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true},
}

func postOnce(ctx context.Context, address string, body []byte) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return withoutAddress(err)
	}
	request.Header.Set("Content-Type", "application/json")
	response, err := hooks.Do(request)
	if err != nil {
		return withoutAddress(err)
	}
	_ = response.Body.Close() // nothing of it is wanted
	if response.StatusCode/100 != 2 {
		return fmt.Errorf("it answered %s", response.Status)
	}
	return nil
}

func withoutAddress(err error) error {
	if e, ok := err.(*url.Error); ok {
		return e.Err
	}
	return err
}
