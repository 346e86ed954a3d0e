package browsertest

import (
	"context"
	"errors"
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
		ctx, _ := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.ExecPath(program),
			// Beside what is off anyway: pages of the browser's own that it would load for every window in case one opens them.
			chromedp.Flag("disable-features", "Translate,BlinkGenPropertyTrees,PreloadTopChromeWebUI"))...)
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
	if err := closeCommon(); err != nil {
		fmt.Fprintln(os.Stderr, "the common farm stopped with", err)
		code = 1
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
	t     testing.TB
	ctx   context.Context
	url   string
	touch bool
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
	if err := chromedp.Do(ctx); err != nil { // the first step opens the tab, which lives as long as this context
		t.Fatal(err)
	}
	x := &tab{t: t, ctx: ctx, url: url}
	x.as(s)
	if s.noScript {
		x.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
			return err
		}))
	}
	return x
}

// as shows the tab on another screen, without loading its page anew.
func (x *tab) as(s screen) *tab {
	x.t.Helper()
	x.touch = s.width < 600
	opts := []chromedp.EmulateViewportOption{}
	if x.touch {
		opts = append(opts, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	scheme := "light"
	if s.dark {
		scheme = "dark"
	}
	x.do(chromedp.EmulateViewport(s.width, s.height, opts...), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		return err
	}))
	return x
}

// longest is how long anything may take in the browser before a test gives up: some fifty times what it takes.
const longest = time.Minute

// do runs steps that may be run again when the page goes from under them.
func (x *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	x.t.Helper()
	x.try("the steps are done", func(ctx context.Context) (bool, error) { return true, chromedp.Do(ctx, steps...) })
}

// try repeats what a page that is just going or coming refuses, until it is done or it takes too long.
func (x *tab) try(what string, f func(context.Context) (bool, error)) {
	x.t.Helper()
	ctx, cancel := context.WithTimeout(x.ctx, longest)
	defer cancel()
	for {
		done, err := f(ctx)
		if done && err == nil {
			return
		}
		if ctx.Err() != nil {
			x.t.Fatalf("not in %s: %s: %v\n%s", longest, what, err, x.text())
		}
		time.Sleep(30 * time.Millisecond)
	}
}

// eval computes something in the page.
func eval[T any](x *tab, js string) T {
	x.t.Helper()
	var v T
	x.try(js[:min(len(js), 200)], func(ctx context.Context) (bool, error) {
		var err error
		v, err = chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
		if _, thrown := errors.AsType[*chromedp.ExceptionError](err); thrown {
			x.t.Fatalf("%v in %.200s", err, js)
		}
		return true, err
	})
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
	return strings.NewReplacer("\u00a0", " ", "\u2060", "").Replace(v)
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
	x.try(what, func(context.Context) (bool, error) { return ok(), nil })
}

// spot is where on the screen something can be pressed.
type spot struct {
	OK bool       `json:"ok"`
	At [2]float64 `json:"at"`
}

// findSpot scrolls what a selector finds into sight, once the page is loaded, and tells where its middle is, unless something
// else lies over it. It asks the page itself and holds no node of it, which the next page would make void.
const findSpot = `((selector) => {
	const e = document.querySelector(selector);
	if (!e || document.readyState !== "complete") return { ok: false, at: [0, 0] };
	e.scrollIntoView({ block: "center", behavior: "instant" });
	const r = e.getClientRects()[0];
	if (!r || !r.width || !r.height || e.disabled) return { ok: false, at: [0, 0] };
	const at = [r.left + r.width / 2, r.top + r.height / 2];
	const hit = document.elementFromPoint(...at);
	return { ok: !!hit && (e.contains(hit) || hit.contains(e)), at };
})(%q)`

// click presses what a selector finds, where it is on the screen: with a finger on a phone, else with a mouse.
func (x *tab) click(selector string) *tab {
	x.t.Helper()
	var at spot
	x.try("to press "+selector, func(ctx context.Context) (bool, error) {
		var err error
		at, err = chromedp.Run(ctx, chromedp.Evaluate[spot](fmt.Sprintf(findSpot, selector)))
		return at.OK, err
	})
	press := chromedp.MouseClickXY(at.At[0], at.At[1])
	if x.touch {
		press = chromedp.TapXY(at.At[0], at.At[1])
	}
	ctx, cancel := context.WithTimeout(x.ctx, longest)
	defer cancel()
	if err := chromedp.Do(ctx, press); err != nil { // once: pressed twice it may do two things
		x.t.Fatalf("%s cannot be pressed: %v\n%s", selector, err, x.text())
	}
	return x
}

// fill puts a value into a field.
func (x *tab) fill(selector, value string) *tab {
	x.t.Helper()
	js := fmt.Sprintf(`((e, v) => { if (!e || document.readyState !== "complete") return false; e.value = v; return e.value === v; })(document.querySelector(%q), %q)`, selector, value)
	x.try(selector+" takes "+value, func(ctx context.Context) (bool, error) {
		return chromedp.Run(ctx, chromedp.Evaluate[bool](js))
	})
	return x
}

// field gives what a field holds.
func (x *tab) field(selector string) string {
	x.t.Helper()
	return eval[string](x, fmt.Sprintf("document.querySelector(%q).value", selector))
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
	b, err := chromedp.Run(x.ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, name+".png"), b, 0o600)
	}
	if err != nil {
		x.t.Error(err)
	}
}
