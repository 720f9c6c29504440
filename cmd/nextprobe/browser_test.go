package main

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// browser drives Debian's Chromium and watches what the page does behind the
// user's back: console errors and requests to any other host.
type browser struct {
	t    *testing.T
	ctx  context.Context
	base string
	mu   sync.Mutex
	bad  []string
	shot int
}

// newBrowser opens a tab of the given size. A missing Chromium fails the test
// with the command that installs it: the main job must be seen to work.
func newBrowser(t *testing.T, base string, width, height int64) *browser {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Fatal("no Chromium: install it with 'deploy/setup.sh test'")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()))
	alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, stop := chromedp.NewContext(alloc)
	b := &browser{t: t, ctx: ctx, base: base}
	t.Cleanup(func() { stop(); stopAlloc() })
	// The first run starts the browser, which lives as long as that run's context.
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start %s: %v", path, err)
	}
	if err := chromedp.Listen(ctx, b.watch); err != nil {
		t.Fatal(err)
	}
	for _, enable := range []func() error{
		func() error { _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); return err },
		func() error { _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); return err },
	} {
		if err := enable(); err != nil {
			t.Fatal(err)
		}
	}
	size := chromedp.EmulateViewport(width, height)
	if width < 600 {
		size = chromedp.EmulateViewport(width, height, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	b.do("size", size)
	return b
}

func (b *browser) watch(ev any) {
	note := func(format string, args ...any) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.bad = append(b.bad, fmt.Sprintf(format, args...))
	}
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		note("exception: %s", e.ExceptionDetails.Text)
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			note("console %s: %v", e.Type, e.Args)
		}
	case *log.EventEntryAdded:
		// A 4xx answer to a form is the page's own business; the browser logs it as an error.
		if e.Entry.Level == log.EntryLevelError && e.Entry.Source != log.EntrySourceNetwork {
			note("log: %s", e.Entry.Text)
		}
	case *network.EventRequestWillBeSent:
		u, err := url.Parse(e.Request.URL)
		if err != nil || (u.Scheme != "data" && u.Scheme != "blob" && "http://"+u.Host != b.base) {
			note("request to another host: %s", e.Request.URL)
		}
	}
}

// clean fails when anything was noted.
func (b *browser) clean() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.bad {
		b.t.Error(s)
	}
}

func (b *browser) do(what string, actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		b.fatal(what, err)
	}
}

// fatal ends the test with what the page shows at that moment.
func (b *browser) fatal(what string, err error) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 5*time.Second)
	defer cancel()
	at, _ := chromedp.Run(ctx, chromedp.Location())
	page, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`document.querySelector("main")?.innerText ?? ""`))
	b.t.Fatalf("%s: %v\nat %s\n%.2500s", what, err, at, page)
}

func (b *browser) visit(path string) {
	b.t.Helper()
	b.do("visit "+path, chromedp.Navigate(b.base+path), chromedp.WaitReady(chromedp.CSS("main")))
}

// leave clicks what leads to another page and waits until that page is there.
func (b *browser) leave(selector string) {
	b.t.Helper()
	b.do("click "+selector, evalOnly(`document.documentElement.dataset.old = "1"`),
		chromedp.ScrollIntoView(chromedp.CSS(selector)), chromedp.Click(chromedp.CSS(selector), chromedp.NodeVisible))
	// A poll does not survive the change of page, so ask again and again.
	const there = `document.readyState === "complete" && !document.documentElement.dataset.old && !!document.querySelector("main")`
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(b.ctx, 5*time.Second)
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](there))
		cancel()
		if err == nil && ok {
			return
		}
		if time.Now().After(end) {
			b.fatal("after the click on "+selector, fmt.Errorf("no new page: %w", err))
		}
	}
}

func (b *browser) fill(selector, value string) {
	b.t.Helper()
	at := chromedp.CSS(selector)
	b.do("fill "+selector, chromedp.WaitVisible(at), evalOnly(fmt.Sprintf(`document.querySelector(%q).value = ""`, selector)), chromedp.SendKeys(at, value))
}

// tick chooses a radio button or box by its label, as a thumb would.
func (b *browser) tick(form, name, value string) {
	b.t.Helper()
	at := chromedp.CSS(fmt.Sprintf(`%s input[name=%q][value=%q]+span`, form, name, value))
	b.do("tick "+string(at), chromedp.ScrollIntoView(at), chromedp.Click(at))
}

// unfold opens the details elements around what the selector finds.
func (b *browser) unfold(selector string) {
	b.t.Helper()
	b.do("unfold "+selector, chromedp.WaitReady(chromedp.CSS(selector)),
		evalOnly(fmt.Sprintf(`for (let d = document.querySelector(%q); d; d = d.parentElement) if (d.tagName === "DETAILS") d.open = true`, selector)))
}

func evalOnly(js string) chromedp.Action[chromedp.Void] { return chromedp.Evaluate[chromedp.Void](js) }

func (b *browser) waitFor(what, js string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](js, chromedp.WithPollingTimeout(15*time.Second))); err != nil {
		b.fatal(what, err)
	}
}

func (b *browser) eval(js string) string {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	s, err := chromedp.Run(ctx, chromedp.Evaluate[string](`String(`+js+`)`))
	if err != nil {
		b.fatal("evaluate "+js, err)
	}
	return s
}

func (b *browser) see(texts ...string) {
	b.t.Helper()
	page := b.eval(`document.querySelector("main").innerText`)
	for _, want := range texts {
		if !strings.Contains(strings.ToLower(page), strings.ToLower(want)) {
			b.t.Fatalf("the page at %s does not show %q:\n%.3000s", b.eval("location.href"), want, page)
		}
	}
}

// narrow fails when the page is wider than the screen: nothing may need
// sideways scrolling at a phone's width.
func (b *browser) narrow() {
	b.t.Helper()
	if got := b.eval(`document.documentElement.scrollWidth - document.documentElement.clientWidth`); got != "0" {
		b.t.Errorf("%s is %s px wider than the screen", b.eval("location.pathname"), got)
	}
}

// picture saves a screenshot where NEXTPROBE_SHOTS names a folder.
func (b *browser) picture(name string, full bool) {
	b.t.Helper()
	b.narrow()
	dir := os.Getenv("NEXTPROBE_SHOTS")
	if dir == "" {
		return
	}
	take := chromedp.CaptureScreenshot()
	if full {
		take = chromedp.FullScreenshot(100)
	}
	png, err := chromedp.Run(b.ctx, take)
	if err != nil {
		b.fatal("screenshot", err)
	}
	b.shot++
	if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d-%s.png", b.shot, name)), png, 0o600); err != nil {
		b.t.Fatal(err)
	}
}
