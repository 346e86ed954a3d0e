package dashboard

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/broker/realpart"
	"gillkeeper/metrics"
	"gillkeeper/policy"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestEveryQuestionIsAnswered records seven simulated hours of a chamber with its real policy, as Prometheus would have
// scraped it, loads it into a real Prometheus, and asks everything that the dashboard asks.
func TestEveryQuestionIsAnswered(t *testing.T) {
	t.Parallel()
	promtool, server := realpart.Promtool(t), realpart.Prometheus(t)
	dir := t.TempDir()
	end := record(t, filepath.Join(dir, "scraped.txt"))
	data := filepath.Join(dir, "data")
	if out, err := exec.CommandContext(t.Context(), promtool, "tsdb", "create-blocks-from", "openmetrics", filepath.Join(dir, "scraped.txt"), data).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	base := serve(t, server, dir, data, "global: {}\n")
	for _, r := range Rows() {
		for _, p := range r.Panels {
			for _, q := range p.Queries {
				if p.Recorded { // no rule ran over this: see the scraped hours
					continue
				}
				n := ask(t, base, q.Expr, end)
				// The room's sensors, alarms and power meters are a chamber's own affair, and so is a filling to the end.
				may := p.Rare && slices.Contains([]string{"Water drawn, g/h of on-time", "Alarms", "Power"}, p.Title)
				if n == 0 && !may {
					t.Errorf("%s: %q has no answer", p.Title, q.Expr)
				}
			}
		}
	}
	if ask(t, base, Marks()[0].Expr, end) == 0 {
		t.Error("no stage is marked")
	}
	if ask(t, base, Marks()[1].Expr, end.Add(-3*time.Hour)) == 0 {
		t.Error("the harvest is not marked")
	}
}

// picker harvests once, three hours before the end.
type picker struct {
	*rehearse.PolicyController
	at     time.Time
	picked bool
}

func (p *picker) Step(in policy.Input) policy.Decision {
	if !p.picked && !in.Now.Before(p.at) {
		p.picked = true
		in.Actions = append(in.Actions, policy.Action{ID: "pick", Kind: policy.HarvestDone, At: in.Wall, Batch: p.State.Crop.Batches[0].Name, FreshG: 840})
	}
	return p.PolicyController.Step(in)
}

// record writes what a scrape every half minute would have brought, and gives the last one's time.
func record(t *testing.T, path string) (last time.Time) {
	t.Helper()
	c := rehearse.FamilyCase(7, species.Fruiting)
	c.For, c.Settle, c.RefillEvery = 7*time.Hour, 0, 24*time.Hour
	c.Start = time.Now().Add(-8 * time.Hour).Truncate(time.Minute)
	c.Spec.Name = "loft"
	c.Actions = []policy.Action{
		{ID: "in", Kind: policy.BatchAdd, At: c.Start, Batch: "oyster-1", Species: "pleurotus-ostreatus", SubstrateKg: 12, DryKg: 4.2, Stage: species.Fruiting},
		{ID: "full", Kind: policy.Refilled, At: c.Start},
	}
	ctl := &picker{PolicyController: rehearse.NewPolicyController(&policy.Policy{Spec: c.Spec, Climates: species.Builtin()}, c.Start), at: c.Start.Add(4*time.Hour - time.Minute)}
	run, err := rehearse.New(c, ctl)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	samples := map[string][]string{}
	var snap *policy.Snapshot
	set := metrics.New(metrics.Info{Version: "test"}, func() []*policy.Snapshot { return []*policy.Snapshot{snap} })
	set.Connected(true)
	next := c.Start
	run.Watch = func(in *policy.Input, d *policy.Decision, _ plant.Truth) {
		set.Decided(50 * time.Microsecond)
		for range in.Readings {
			set.Count("loft", "used")
		}
		if in.Wall.Before(next) {
			return
		}
		next = in.Wall.Add(30 * time.Second)
		snap, last = &policy.Snapshot{Spec: c.Spec, Wall: in.Wall, State: ctl.State, Decision: *d}, in.Wall
		families, err := set.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range families {
			if strings.HasPrefix(m.GetName(), "gillkeeper_") {
				samples[m.GetName()] = append(samples[m.GetName()], lines(m, in.Wall)...)
			}
		}
	}
	run.Finish()
	w := bufio.NewWriter(f)
	for _, ls := range samples {
		for _, l := range ls {
			fmt.Fprintln(w, l)
		}
	}
	fmt.Fprintln(w, "# EOF")
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return last
}

// lines writes a family's samples with their time, in the open exposition form.
func lines(m *dto.MetricFamily, at time.Time) (out []string) {
	stamp := strconv.FormatFloat(float64(at.UnixMilli())/1000, 'f', 3, 64)
	line := func(name string, labels []*dto.LabelPair, more string, v float64) {
		var l []string
		for _, p := range labels {
			l = append(l, fmt.Sprintf("%s=%q", p.GetName(), p.GetValue()))
		}
		if more != "" {
			l = append(l, more)
		}
		out = append(out, fmt.Sprintf("%s{%s} %s %s", name, strings.Join(l, ","), strconv.FormatFloat(v, 'g', -1, 64), stamp))
	}
	for _, x := range m.Metric {
		switch {
		case x.Counter != nil:
			line(m.GetName(), x.Label, "", x.Counter.GetValue())
		case x.Gauge != nil:
			line(m.GetName(), x.Label, "", x.Gauge.GetValue())
		case x.Histogram != nil:
			for _, b := range x.Histogram.Bucket {
				line(m.GetName()+"_bucket", x.Label, fmt.Sprintf("le=%q", strconv.FormatFloat(b.GetUpperBound(), 'g', -1, 64)), float64(b.GetCumulativeCount()))
			}
			line(m.GetName()+"_bucket", x.Label, `le="+Inf"`, float64(x.Histogram.GetSampleCount()))
		}
	}
	return out
}

// serve runs a Prometheus on the data until the test ends.
func serve(t *testing.T, program, dir, data, text string) string {
	t.Helper()
	config := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	addr := brokertest.FreeAddr(t)
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, program, "--config.file="+config, "--storage.tsdb.path="+data, "--web.listen-address="+addr, "--log.level=error")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); _ = cmd.Wait() })
	base := "http://" + addr
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if r, err := http.Get(base + "/-/ready"); err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return base
			}
		}
		if time.Now().After(end) {
			t.Fatal("prometheus does not start")
		}
	}
}

// ask gives how many series an expression has at a moment.
func ask(t *testing.T, base, expr string, at time.Time) int {
	t.Helper()
	expr = strings.ReplaceAll(expr, "$chamber", ".+")
	r, err := http.Get(base + "/api/v1/query?" + url.Values{"query": {expr}, "time": {strconv.FormatInt(at.Unix(), 10)}}.Encode())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	var answer struct {
		Status string
		Error  string
		Data   struct{ Result []json.RawMessage }
	}
	if err := json.Unmarshal(body, &answer); err != nil || answer.Status != "success" {
		t.Errorf("%q: %v %s", expr, err, answer.Error)
	}
	return len(answer.Data.Result)
}
