// Command pictures takes the README's screenshots from a running demo shop:
//
//	bin/nextprobe demo &
//	go run ./deploy/pictures http://127.0.0.1:8585 deploy/pictures
package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/chromedp/chromedp"

	"nextprobe/internal/demo"
)

func main() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "pictures: name the demo's address and a folder")
		os.Exit(2)
	}
	if err := take(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, "pictures:", err)
		os.Exit(1)
	}
}

// shot is one picture: a page at a size, after a little script.
type shot struct {
	name, path string
	phone      bool
	script     string
}

const (
	// benchPath and toBench lead to the newest job that is being diagnosed.
	benchPath = "/?state=diagnosing"
	toBench   = `location.href = document.querySelector(".column.shown article.job h3 a").href`
)

var shots = []shot{
	{"phone-jobs", "/?state=received", true, ""},
	{"phone-intake", "/intake", true, `location.href = document.querySelector("#found .pick a").href`},
	{"phone-next", benchPath, true, toBench + ` + "#next"`},
	{"phone-reading", benchPath, true, toBench + ` + "?m=phase_resistance_3#observe-form"`},
	{"phone-causes", benchPath, true, toBench + ` + "#causes"`},
	{"phone-closing", "/?state=verifying", true, toBench + ` + "#closing"`},
	{"desk-jobs", "/", false, ""},
	{"desk-bench", benchPath, false, toBench},
	{"desk-recurrence", "/recurrence?group=connector_family", false, ""},
}

func take(base, dir string) error {
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU)
	for _, p := range []string{"/usr/bin/chromium", "/usr/bin/chromium-browser"} {
		if _, err := os.Stat(p); err == nil {
			opts = append(opts, chromedp.ExecPath(p))
			break
		}
	}
	alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	defer stopAlloc()
	ctx, stop := chromedp.NewContext(alloc)
	defer stop()
	if err := chromedp.Do(ctx,
		chromedp.Navigate(base+"/sign-in"),
		chromedp.SendKeys(chromedp.CSS(`input[name="login"]`), demo.OwnerLogin),
		chromedp.SendKeys(chromedp.CSS(`input[name="password"]`), demo.OwnerPassword),
		chromedp.Click(chromedp.CSS("main button.primary")),
		chromedp.WaitReady(chromedp.CSS("article.job")),
	); err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	for _, s := range shots {
		if err := s.take(ctx, base, dir); err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
	}
	return nil
}

func (s shot) take(ctx context.Context, base, dir string) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	size := chromedp.EmulateViewport(1280, 900)
	if s.phone {
		size = chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile)
	}
	steps := []chromedp.Action[chromedp.Void]{size, chromedp.Navigate(base + s.path), chromedp.WaitReady(chromedp.CSS("main"))}
	if s.script != "" {
		steps = append(steps, chromedp.Evaluate[chromedp.Void](s.script), chromedp.Sleep(time.Second), chromedp.WaitReady(chromedp.CSS("main")))
	}
	if s.name == "phone-reading" {
		steps = append(steps, typed()...)
	}
	if err := chromedp.Do(ctx, append(steps, chromedp.Sleep(700*time.Millisecond))...); err != nil {
		return err
	}
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, s.name+".png"), png, 0o644) //nolint:gosec // a picture for the README, meant to be read by all
}

// typed enters three phase resistances as a technician writes them.
func typed() []chromedp.Action[chromedp.Void] {
	var out []chromedp.Action[chromedp.Void]
	for _, r := range [][2]string{{"r_ab", "112"}, {"r_bc", "0R1"}, {"r_ca", "112 mohm"}, {"t_wind_c", "21"}, {"r_model_20", "100"}, {"flex_change_pct", "0"}} {
		out = append(out, chromedp.SendKeys(chromedp.CSS(fmt.Sprintf(`#observe-form [name="r.%s"]`, r[0])), r[1]))
	}
	return append(out, chromedp.Evaluate[chromedp.Void](`document.querySelector("#result").scrollIntoView({block: "center"})`))
}
