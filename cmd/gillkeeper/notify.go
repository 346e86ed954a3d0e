package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/notify"
	"gillkeeper/bridge/web/api"
)

func newNotifyCommand(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "notify", Short: "Test where messages to people are sent"}
	group(cmd)
	cmd.AddCommand(newNotifyTestCommand(a))
	return cmd
}

func newNotifyTestCommand(a *app) *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "test --config FILE",
		Short: "Send a test message to every [[notify]] of a configuration, and say whether it was accepted",
		Long: "Sends a test message to every [[notify]] of a configuration and says for each whether the other side accepted it. It\n" +
			"needs no running daemon. Only you can see whether the message also arrives on your phone or in your mail.",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := needFlags(cmd, "config"); err != nil {
				return err
			}
			c, err := a.loadConfig(path)
			if err != nil {
				return err
			}
			return a.testNotify(cmd.Context(), path, c)
		},
	}
	cmd.Flags().StringVar(&path, "config", "", "the configuration `FILE`")
	return cmd
}

func (a *app) testNotify(ctx context.Context, path string, c *config.Config) error {
	if len(c.Notify) == 0 {
		return fmt.Errorf("%s has no [[notify]]: nobody would be told of an alarm; add one with url_file = \"…\"", path)
	}
	m := notify.TestMessage(c.Site.Name, a.now())
	failed := 0
	for i := range c.Notify {
		n := &c.Notify[i]
		address := n.URL.Reveal()
		to, err := notify.Open(address)
		if err == nil {
			err = to.Send(ctx, m)
		}
		what := fmt.Sprintf("%s (%s)", n.Name, notify.Scheme(address))
		if err != nil {
			failed++
			how := "NOT sent"
			if _, ok := errors.AsType[*notify.Partly](err); ok {
				how = "NOT sent to all"
			}
			fmt.Fprintf(a.stdout, "%s: %s: %s\n", what, how, oneLine(err.Error()))
			continue
		}
		fmt.Fprintf(a.stdout, "%s: sent; look whether it arrived.\n", what)
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d test messages were not sent, see above", failed, len(c.Notify))
	}
	return nil
}

// printNotifications says which places do not take messages: an alarm that nobody hears of is worth a line.
func (a *app) printNotifications(site api.Site) {
	w := siteWords(site)
	for i := range site.Notifications {
		n := &site.Notifications[i]
		if n.FailingSince == nil {
			continue
		}
		fmt.Fprintln(a.stdout, w.Undelivered(fmt.Sprintf("%s (%s)", n.Name, n.Scheme), *n.FailingSince, site.Now, n.Waiting, oneLine(n.Fault)))
	}
}
