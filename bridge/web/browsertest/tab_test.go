package browsertest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"gillkeeper/bridge/broker/realpart"
)

// browser is the one browser that all tests share; each tab has cookies of its own.
var browser struct {
	once  sync.Once
	ctx   context.Context
	err   error
	close func()
}

func startBrowser(program string) (context.Context, error) {
	browser.once.Do(func() {
		ctx, _ := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.ExecPath(program))...)
		browser.ctx, browser.close = chromedp.NewContext(ctx)
		browser.err = chromedp.Do(browser.ctx)
	})
	return browser.ctx, browser.err
}

func TestMain(m *testing.M) {
	code := m.Run()
	if browser.close != nil {
		browser.close()
	}
	os.Exit(code)
}

// screen is what a tab looks like from outside.
type screen struct {
	name          string
	width, height int64
	dark          bool
	noScript      bool
}

var (
	phone   = screen{name: "phone", width: 390, height: 844}
	desktop = screen{name: "desktop", width: 1280, height: 900}
)

// tab is one page in the browser.
type tab struct {
	t   testing.TB
	ctx context.Context
	url string
}

// open gives a new tab with cookies of its own.
func open(t testing.TB, url string, s screen) *tab {
	t.Helper()
	parent, err := startBrowser(realpart.Chromium(t))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := chromedp.NewContext(parent, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	x := &tab{t: t, ctx: ctx, url: url}
	opts := []chromedp.EmulateViewportOption{}
	if s.width < 600 {
		opts = append(opts, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	scheme := "light"
	if s.dark {
		scheme = "dark"
	}
	x.do(chromedp.EmulateViewport(s.width, s.height, opts...), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		if err == nil && s.noScript {
			_, err = cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		}
		return err
	}))
	return x
}

// longest is how long anything may take in the browser before a test gives up.
const longest = 40 * time.Second

func (x *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	x.t.Helper()
	if _, err := chromedp.Run(x.ctx, chromedp.Steps()); err != nil {
		x.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(x.ctx, longest)
	defer cancel()
	err := chromedp.Do(ctx, steps...)
	// A node found while the page before was going is no node of this page: nothing was done with it.
	for err != nil && strings.Contains(err.Error(), "No node with given id") && ctx.Err() == nil {
		err = chromedp.Do(ctx, steps...)
	}
	if err != nil {
		x.t.Fatalf("%v\n%s", err, x.text())
	}
}

// eval computes something in the page.
func eval[T any](x *tab, js string) T {
	x.t.Helper()
	ctx, cancel := context.WithTimeout(x.ctx, longest)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		x.t.Fatalf("%v in %s", err, js)
	}
	return v
}

// goTo opens a page of the farm.
func (x *tab) goTo(path string) *tab {
	x.t.Helper()
	x.do(chromedp.Navigate(x.url + path))
	return x
}

func (x *tab) text() string {
	ctx, cancel := context.WithTimeout(x.ctx, longest)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body ? document.body.innerText : ""`))
	if err != nil {
		return err.Error()
	}
	return strings.ReplaceAll(v, "\u00a0", " ")
}

// sees waits until the page shows every text.
func (x *tab) sees(texts ...string) *tab {
	x.t.Helper()
	for _, want := range texts {
		x.until(fmt.Sprintf("%q is shown", want), func() bool { return strings.Contains(x.text(), want) })
	}
	return x
}

// until polls within a bound.
func (x *tab) until(what string, ok func() bool) {
	x.t.Helper()
	for end := time.Now().Add(longest); !ok(); time.Sleep(40 * time.Millisecond) {
		if time.Now().After(end) {
			x.t.Fatalf("not in %s: %s\n%s", longest, what, x.text())
		}
	}
}

// click presses what a selector finds, where it is on the screen.
func (x *tab) click(selector string) *tab {
	x.t.Helper()
	x.do(chromedp.Click(chromedp.CSS(selector)))
	return x
}

// fill puts a value into a field.
func (x *tab) fill(selector, value string) *tab {
	x.t.Helper()
	x.do(chromedp.SetValue(chromedp.CSS(selector), value))
	return x
}

// login shows the token.
func (x *tab) login() *tab {
	x.t.Helper()
	x.goTo("/login").fill("#f-token", token).click("form button")
	x.sees("loft")
	return x
}

// keep writes a picture of the page where GILLKEEPER_PICTURES says.
func (x *tab) keep(name string) {
	folder := os.Getenv("GILLKEEPER_PICTURES")
	if folder == "" {
		return
	}
	b, err := chromedp.Run(x.ctx, chromedp.FullScreenshot(90))
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, name+".png"), b, 0o600)
	}
	if err != nil {
		x.t.Error(err)
	}
}
