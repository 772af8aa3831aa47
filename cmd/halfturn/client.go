package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/setup"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

// remote is the flags of the commands that talk to a daemon.
type remote struct {
	config, address, token string
}

func (r *remote) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVarP(&r.config, "config", "c", "", "the daemon's bench file, which says where it listens, e.g. -c bench.yaml")
	f.StringVar(&r.address, "daemon", "", "where the daemon listens, e.g. --daemon https://192.0.2.20:8737")
	f.StringVar(&r.token, "token-file", "", "file that holds the access token, e.g. --token-file ~/.bench-token")
}

// client calls one daemon.
type client struct {
	base, token string
	http        *http.Client
}

const callLimit = 30 * time.Second

func (r *remote) client() (*client, error) {
	c := &client{base: r.address, http: &http.Client{Timeout: callLimit}}
	if r.config != "" {
		config, err := setup.Load(r.config, nil)
		if err != nil {
			return nil, usageError{err}
		}
		scheme := "http"
		if file := config.Serve.Certificate; file != "" {
			scheme = "https"
			// A certificate that the bench made itself is trusted by its file.
			text, err := os.ReadFile(file)
			if err != nil {
				return nil, err
			}
			roots, err := x509.SystemCertPool()
			if err != nil {
				roots = x509.NewCertPool()
			}
			roots.AppendCertsFromPEM(text)
			c.http.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}}
		}
		c.base = cmp.Or(c.base, scheme+"://"+reachable(config.Serve.Listen))
	}
	if c.base == "" {
		return nil, usageError{errors.New("which daemon? Say -c FILE, its bench file, or --daemon with its address")}
	}
	if u, err := url.Parse(c.base); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, usageError{fmt.Errorf("%q is not the address of a daemon, write it like http://127.0.0.1:8737", c.base)}
	}
	if r.token != "" {
		text, err := os.ReadFile(r.token)
		if err != nil {
			return nil, usageError{fmt.Errorf("token file: %w", err)}
		}
		c.token = strings.TrimSpace(string(text))
	}
	return c, nil
}

// reachable is where to call what listens on an address: this machine, where
// it listens on all of its own.
func reachable(listen string) string {
	host, port, err := net.SplitHostPort(listen)
	if ip := net.ParseIP(host); err == nil && (host == "" || ip != nil && ip.IsUnspecified()) {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return listen
}

// errNoDaemon: nobody listens there.
var errNoDaemon = errors.New("no daemon runs")

// call sends a request and reads the reply into out.
func (c *client) call(ctx context.Context, method, path string, in, out any) error {
	var body io.Reader
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			return err
		}
		body = bytes.NewReader(text)
	}
	request, err := http.NewRequestWithContext(ctx, method, strings.TrimRight(c.base, "/")+"/api/v1"+path, body)
	if err != nil {
		return err
	}
	request.Header.Set("Content-Type", "application/json")
	if c.token != "" {
		request.Header.Set("Authorization", "Bearer "+c.token)
	}
	response, err := c.http.Do(request)
	if err != nil {
		var dial *net.OpError
		if errors.As(err, &dial) && dial.Op == "dial" {
			return fmt.Errorf("%w at %s: `halfturn serve -c FILE` starts it", errNoDaemon, c.base)
		}
		return fmt.Errorf("the daemon at %s: %w", c.base, err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(io.LimitReader(response.Body, 64<<20))
	if err != nil {
		return fmt.Errorf("the daemon at %s: %w", c.base, err)
	}
	if response.StatusCode/100 != 2 {
		var p daemon.Problem
		if json.Unmarshal(text, &p) != nil || p.Status == 0 {
			return fmt.Errorf("%s is no daemon of this program: it answered %s", c.base, response.Status)
		}
		if p.Status == http.StatusUnauthorized {
			return usageError{fmt.Errorf("the daemon at %s wants its access token: --token-file names the file that holds it", c.base)}
		}
		err := errors.New(cmp.Or(p.Detail, p.Title))
		if p.Status == http.StatusBadRequest || p.Status == http.StatusUnprocessableEntity {
			return usageError{err}
		}
		return err
	}
	return json.Unmarshal(text, out)
}

func submitCommand() *cobra.Command {
	var r remote
	var request queue.Request
	var until string
	cmd := &cobra.Command{
		Use:   "submit KIND",
		Short: "Queue a job with the daemon: calibration, balun, swapped, series or dry-run",
		Long: `Queue a job with the daemon of a bench: calibration, balun, swapped, series or
dry-run.

A balun or a series takes out the newest calibration, and begins with a new one
where that is older than the plan allows. When something else has to be in the
fixture, the job asks and waits: ` + "`halfturn jobs`" + ` shows what for, and
` + "`halfturn ready JOB`" + ` says that it is there.`,
		Example: `  halfturn submit balun -c bench.yaml --label "winding 3, 5 sleeves"
  halfturn submit series -c bench.yaml --every "30 min" --until 07:00 --label "overnight"
  halfturn submit series -c bench.yaml --every "1 min" --repeats 10 --label "repeatability"
  halfturn submit dry-run --daemon http://127.0.0.1:8737`,
		Args: exactly(1, "a kind of job: calibration, balun, swapped, series or dry-run"),
		RunE: func(cmd *cobra.Command, args []string) error {
			request.Kind = queue.Kind(args[0])
			if until != "" {
				t, err := queue.ReadEnd(until, time.Now())
				if err != nil {
					return usageError{err}
				}
				request.Until = t
			}
			if err := request.Check(time.Now()); err != nil {
				return usageError{err}
			}
			c, err := r.client()
			if err != nil {
				return err
			}
			var job queue.Job
			if err := c.call(cmd.Context(), http.MethodPost, "/jobs", request, &job); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "job %d, %q, is %s\n", job.ID, job.Name, job.State)
			return nil
		},
	}
	r.flags(cmd)
	f := cmd.Flags()
	f.StringVar(&request.Name, "name", "", `what the job is called, e.g. --name "winding 3"; made up if left out`)
	f.StringVar(&request.Label, "label", "", `what is in the fixture, e.g. --label "winding 3, 5 sleeves"`)
	f.IntVar(&request.Sleeves, "sleeves", 0, "sleeves of ferrite on the balun's line, e.g. --sleeves 5")
	f.Int64Var(&request.Straight, "straight", 0, "of a swapped job: the balun's `run` before its arms were exchanged (default the newest)")
	f.TextVar(&request.Every, "every", queue.Duration(0), "of a series: `time` from start to start, e.g. --every \"30 min\"")
	f.TextVar(&request.For, "for", queue.Duration(0), "of a series: `time` that it lasts, e.g. --for \"10 h\"")
	f.StringVar(&until, "until", "", `of a series: its end, e.g. --until 07:00 or --until "2031-05-04 07:00"`)
	f.IntVar(&request.Repeats, "repeats", 0, "of a series: how many, if its end does not come first, e.g. --repeats 10")
	f.StringVar(&request.Scenario, "scenario", "", "of a dry run: which simulated bench, e.g. --scenario broken-arm")
	f.StringVar(&request.Bench, "bench", "", `refuse where the daemon's bench is another one, e.g. --bench "Hut 4"`)
	f.BoolVar(&request.Ready, "ready", false, "what the first run needs is in the fixture: do not ask")
	for _, name := range []string{"every", "for"} {
		f.Lookup(name).DefValue = ""
	}
	return cmd
}

func jobsCommand() *cobra.Command {
	var r remote
	var store string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "jobs",
		Short: "List the daemon's jobs; with --store those of a store, also while no daemon runs",
		Example: `  halfturn jobs -c bench.yaml
  halfturn jobs --store halfturn.db
  halfturn jobs -c bench.yaml --json | python3 -m json.tool`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			jobs, err := findJobs(cmd, &r, store)
			if err != nil {
				return err
			}
			if asJSON {
				encoder := json.NewEncoder(cmd.OutOrStdout())
				encoder.SetIndent("", "  ")
				return encoder.Encode(daemon.Jobs{Jobs: jobs})
			}
			return printJobs(cmd.OutOrStdout(), jobs)
		},
	}
	r.flags(cmd)
	cmd.Flags().StringVar(&store, "store", "", "read the jobs from this store, e.g. --store halfturn.db")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the jobs as JSON")
	return cmd
}

// findJobs asks the daemon, or reads the store where that is wanted or where
// no daemon runs.
func findJobs(cmd *cobra.Command, r *remote, store string) ([]queue.Job, error) {
	if store == "" {
		c, err := r.client()
		if err != nil {
			return nil, err
		}
		var jobs daemon.Jobs
		err = c.call(cmd.Context(), http.MethodGet, "/jobs", nil, &jobs)
		if !errors.Is(err, errNoDaemon) || r.config == "" {
			return jobs.Jobs, err
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "%v; this is what the store says\n", err)
		config, err := setup.Load(r.config, nil)
		if err != nil {
			return nil, usageError{err}
		}
		store = config.Store
	}
	s, err := journal.OpenReadOnly(cmd.Context(), store)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	return queue.Stored(cmd.Context(), s)
}

func printJobs(w io.Writer, jobs []queue.Job) error {
	if len(jobs) == 0 {
		_, err := fmt.Fprintln(w, "no jobs yet: `halfturn submit KIND` queues one")
		return err
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "job\tkind\tstate\tname\truns\tverdict\twhat there is to say")
	for _, j := range jobs {
		var runs []string
		for _, t := range j.Runs {
			runs = append(runs, strconv.FormatInt(t.Run, 10))
		}
		if j.Run != 0 {
			runs = append(runs, fmt.Sprintf("%d…", j.Run))
		}
		if n := len(runs); n > 3 {
			runs = append([]string{runs[0], "…"}, runs[n-2:]...)
		}
		say := j.Reason
		if j.Question != nil {
			say = fmt.Sprintf("%s, then `halfturn ready %d`", j.Question.Text, j.ID)
			if j.Question.Why != "" {
				say += " (" + j.Question.Why + ")"
			}
		}
		fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", j.ID, j.Kind, j.State, j.Name, strings.Join(runs, " "), j.Verdict, say)
	}
	return table.Flush()
}

// deciding is a command that needs no more than the number of a job.
func deciding(use, short, long, path string, in any) *cobra.Command {
	var r remote
	cmd := &cobra.Command{
		Use: use + " JOB", Short: short, Long: long,
		Example: fmt.Sprintf("  halfturn %s 12 -c bench.yaml", use),
		Args:    exactly(1, "the number of a job"),
		RunE: func(cmd *cobra.Command, args []string) error {
			id, err := strconv.ParseInt(args[0], 10, 64)
			if err != nil || id < 1 {
				return usageError{fmt.Errorf("%q is not a job: give its number, as `halfturn jobs` lists it", args[0])}
			}
			c, err := r.client()
			if err != nil {
				return err
			}
			var job queue.Job
			if err := c.call(cmd.Context(), http.MethodPost, fmt.Sprintf("/jobs/%d/%s", id, path), in, &job); err != nil {
				return err
			}
			state := string(job.State)
			if job.Stopping {
				state = "stopping after this step"
			}
			fmt.Fprintf(cmd.OutOrStdout(), "job %d, %q, is %s\n", job.ID, job.Name, state)
			return nil
		},
	}
	r.flags(cmd)
	return cmd
}

func cancelCommand() *cobra.Command {
	return deciding("cancel", "Cancel a job; one that is measuring ends after its step, RF off",
		"", "cancel", nil)
}

func readyCommand() *cobra.Command {
	return deciding("ready", "Say that what a job asks for is in the fixture", `Say that what a job asks for is in the fixture.

`+cautions, "answer", daemon.Answer{Ready: true})
}

func againCommand() *cobra.Command {
	return deciding("again", "Put a parked job back into the queue", `Put a parked job back into the queue. It goes on at its next step where what
failed can have passed (a link, a full disk), and begins its run anew where what
was measured was wrong (the wrong thing in the fixture).`, "again", nil)
}
