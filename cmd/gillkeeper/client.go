package main

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/web/client"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// defaultServer is where the daemon listens unless its configuration says otherwise.
const defaultServer = "http://127.0.0.1:9420"

// serverFlags says which daemon to ask, and as whom.
type serverFlags struct {
	url       string
	tokenFile string
}

// asks adds the flags of a command that talks to a daemon.
func (a *app) asks(cmd *cobra.Command) *cobra.Command {
	cmd.Flags().StringVar(&a.server.url, "server", "", "address of the daemon (default $GILLKEEPER_SERVER, or "+defaultServer+")")
	cmd.Flags().StringVar(&a.server.tokenFile, "token-file", "", "file with the token that actions need (default: the token in $GILLKEEPER_TOKEN)")
	return cmd
}

// client makes the connection that flags and environment describe.
func (a *app) client() (*client.Client, error) {
	token := a.getenv("GILLKEEPER_TOKEN")
	if a.server.tokenFile != "" {
		b, err := readGiven(a.server.tokenFile)
		if err != nil {
			return nil, fmt.Errorf("the token cannot be read: %w; check --token-file", err)
		}
		if token = strings.TrimSpace(string(b)); token == "" {
			return nil, fmt.Errorf("the token file %s is empty; put the token into it", a.server.tokenFile)
		}
	}
	if strings.ContainsFunc(token, func(r rune) bool { return r < ' ' || r > '~' }) {
		return nil, fmt.Errorf("the token holds a line break or another character that no token has; check GILLKEEPER_TOKEN or --token-file")
	}
	c, err := client.New(cmp.Or(a.server.url, a.getenv("GILLKEEPER_SERVER"), defaultServer), token)
	switch {
	case err != nil && a.server.url != "":
		return nil, usagef("%s", err)
	case err != nil: // nobody typed it just now
		return nil, fmt.Errorf("GILLKEEPER_SERVER: %w", err)
	}
	return c, nil
}

// readGiven reads a file that a person names. A pipe that nobody writes into would wait for ever, deaf to every signal.
func readGiven(path string) ([]byte, error) {
	if info, err := os.Stat(path); err == nil && config.MayBlock(path, info) {
		return nil, fmt.Errorf("%s is no regular file", path)
	}
	return os.ReadFile(path)
}

// siteWords gives the words of the daemon's site: its timezone, or else its present distance from UTC, and its unit of
// temperature.
func siteWords(s api.Site) words.Words {
	zone, err := time.LoadLocation(s.Timezone)
	if err != nil || s.Timezone == "" {
		zone = time.FixedZone("", s.UTCOffsetSeconds)
	}
	return words.Words{Zone: zone, Fahrenheit: s.DisplayTemperature == "fahrenheit", TwelveHour: s.DisplayClock == "12h"}
}

// completeTimeout keeps the Tab key from hanging when no daemon answers.
const completeTimeout = 500 * time.Millisecond

// completion completes arguments by position; a position without a function completes to nothing.
func completion(by ...func(ctx context.Context, args []string) []string) cobra.CompletionFunc {
	return func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		if len(args) >= len(by) || by[len(args)] == nil {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		ctx, cancel := context.WithTimeout(cmd.Context(), completeTimeout)
		defer cancel()
		return by[len(args)](ctx, args), cobra.ShellCompDirectiveNoFileComp
	}
}

// completeFlag completes the value of a flag, however many arguments stand before it. Of a flag that takes a list, it completes the last
// word, with what is not in the list yet.
func completeFlag(cmd *cobra.Command, flag string, list func(context.Context, []string) []string) {
	complete := completion(list)
	if err := cmd.RegisterFlagCompletionFunc(flag, func(cmd *cobra.Command, _ []string, word string) ([]string, cobra.ShellCompDirective) {
		words, how := complete(cmd, nil, word)
		if comma := strings.LastIndexByte(word, ','); comma >= 0 && cmd.Flag(flag).Value.Type() == "stringSlice" {
			words = listed(word[:comma], words)
		}
		return words, how
	}); err != nil {
		panic(err) // a flag of that name is missing: every test would find it
	}
}

// listed puts each of the words behind a list with commas, but for those that it has.
func listed(list string, words []string) []string {
	var all []string
	for _, w := range words {
		if !slices.Contains(strings.Split(list, ","), w) {
			all = append(all, list+","+w)
		}
	}
	return all
}

func fixed(words ...string) func(context.Context, []string) []string {
	return func(context.Context, []string) []string { return words }
}

func (a *app) chamberNames(ctx context.Context, _ []string) []string {
	var names []string
	for _, c := range a.known(ctx) {
		names = append(names, c.Name)
	}
	return names
}

func (a *app) batchNames(ctx context.Context, _ []string) []string {
	var names []string
	for _, c := range a.known(ctx) {
		for i := range c.Batches {
			names = append(names, c.Batches[i].Name)
		}
	}
	return names
}

// plugNames lists plugs of the chamber named by the first argument, and their roles.
func (a *app) plugNames(ctx context.Context, args []string) []string {
	var names []string
	for _, c := range a.known(ctx) {
		if c.Name != args[0] {
			continue
		}
		for i := range c.Plugs {
			names = append(names, c.Plugs[i].Role, c.Plugs[i].Name)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (a *app) alarmNames(ctx context.Context, args []string) []string {
	var names []string
	for _, c := range a.known(ctx) {
		if c.Name != args[0] {
			continue
		}
		for i := range c.Alarms {
			names = append(names, c.Alarms[i].Alarm)
		}
	}
	return names
}

// everyAlarm lists the alarms that there are: one can be shelved or taken out of service before it has ever come.
func everyAlarm(context.Context, []string) []string {
	var names []string
	for _, n := range alarm.Names() {
		names = append(names, string(n))
	}
	return names
}

// known asks for every chamber, for completion only: no daemon is no names.
func (a *app) known(ctx context.Context) []api.Chamber {
	c, err := a.client()
	if err != nil {
		return nil
	}
	got, err := c.Chambers(ctx)
	if err != nil {
		return nil
	}
	return got.Chambers
}

func stageNames() []string {
	var names []string
	for _, s := range species.Stages() {
		names = append(names, s.String())
	}
	return names
}

// findPlug finds the plug that a person named by name or role.
func findPlug(c *api.Chamber, word string) *api.Plug {
	for i := range c.Plugs {
		if c.Plugs[i].Name == word {
			return &c.Plugs[i]
		}
	}
	for i := range c.Plugs {
		if c.Plugs[i].Role == word {
			return &c.Plugs[i]
		}
	}
	return nil
}

func findBatch(c *api.Chamber, name string) *api.Batch {
	for i := range c.Batches {
		if c.Batches[i].Name == name {
			return &c.Batches[i]
		}
	}
	return nil
}

// plugLabel names a plug for a table: its name, and its role where the name does not say it.
func plugLabel(name, role string) string {
	if name == role || role == "" {
		return strings.ReplaceAll(name, "_", " ")
	}
	return name + " (" + strings.ReplaceAll(role, "_", " ") + ")"
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// reading writes a value for a table; one that is not fresh says so.
func reading(w words.Words, q chamber.Quantity, r *api.Reading) string {
	switch {
	case r == nil:
		return "–"
	case !r.Fresh:
		return "(" + w.Value(q, r.Value) + ")"
	case r.Range == "below" || r.Range == "above":
		return w.Value(q, r.Value) + " " + r.Range
	}
	return w.Value(q, r.Value)
}
