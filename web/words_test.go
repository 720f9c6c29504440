package web

import (
	"strings"
	"testing"
	"time"

	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

func TestPercentNeverClaimsTheEnds(t *testing.T) {
	t.Parallel()
	for p, want := range map[float64]string{0: "0 %", 0.0001: "<1 %", 0.0049: "<1 %", 0.0051: "1 %", 0.471: "47 %", 0.995: ">99 %", 0.9999: ">99 %", 1: "100 %"} {
		if got := strings.ReplaceAll(percent(p), "\u00a0", " "); got != want {
			t.Errorf("percent(%v) = %q, want %q", p, got, want)
		}
	}
}

// The decimals of a currency are ISO 4217's: two for the euro, none for the
// yen, three for the Kuwaiti dinar.
func TestMoneyHasTheCurrencysDecimals(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]string{"EUR": "12.90 EUR", "JPY": "1290 JPY", "KWD": "1.290 KWD"} {
		if got := money(int64(1290), code); got != want {
			t.Errorf("%s, want %s", got, want)
		}
		f := filledForm("f", "cost", moneyInput(ref(int64(1290)), code))
		if got := f.Money("cost", code); got == nil || *got != 1290 {
			t.Errorf("%s does not come back: %v", code, got)
		}
	}
}

func TestNumbers(t *testing.T) {
	t.Parallel()
	for x, want := range map[float64]string{0: "0", 4.93123: "4.931", 100.5: "100.5", -2.4: "−2.4", 0.00051: "0.00051", 1e9: "open", 84321: "84321"} {
		if got := formatNumber(x); got != want {
			t.Errorf("%v prints as %q, want %q", x, got, want)
		}
	}
	for s, want := range map[string]float64{"12,5": 12.5, " 1250.5 ": 1250.5, "-3": -3, "1e-3": 0.001} { //nolint:gocritic // The spaces around a number are the case.
		if got, ok := parseNumber(s); !ok || got != want {
			t.Errorf("%q reads as %v, %v", s, got, ok)
		}
	}
	for _, s := range []string{"", "4k7", "OL", "12 V", "inf", "NaN"} {
		if x, ok := parseNumber(s); ok {
			t.Errorf("%q reads as the number %v", s, x)
		}
	}
}

func TestWaiting(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{-time.Hour: "0 minutes", time.Minute: "1 minute", 3 * time.Hour: "3 hours", 47 * time.Hour: "47 hours", 50 * time.Hour: "2 days"} {
		if got := waiting(sampleNow, sampleNow.Add(-d)); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}

func TestReadingLabels(t *testing.T) {
	t.Parallel()
	for _, s := range []struct {
		in   measure.Input
		want string
	}{{measure.Input{ID: "r_ab", Unit: "mohm"}, "R A–B"}, {measure.Input{ID: "t_box_c", Unit: "C"}, "T box"}, {measure.Input{ID: "p1_kpa", Unit: "kPa"}, "P1"}, {measure.Input{ID: "led_open"}, "LED open"}} {
		if got := readingLabel(&s.in); got != s.want {
			t.Errorf("%s: %q, want %q", s.in.ID, got, s.want)
		}
	}
}

func TestParetoPicture(t *testing.T) {
	t.Parallel()
	var rows []RecurrenceRow
	sum := 0.0
	for _, r := range sampleRows() {
		sum += r.Share
		rows = append(rows, RecurrenceRow{RecurrenceRow: r, Cumulative: sum})
	}
	rows = append(rows, RecurrenceRow{RecurrenceRow: shop.RecurrenceRow{Rank: 6, GroupCount: shop.GroupCount{Name: "never"}}, Cumulative: sum})
	g := newPareto(rows, 50)
	if len(g.Bars) != 5 {
		t.Fatalf("%d bars, want those of the five groups that failed", len(g.Bars))
	}
	for i := 1; i < len(g.Bars); i++ {
		if g.Bars[i].H > g.Bars[i-1].H || g.Bars[i].X < g.Bars[i-1].X+g.Bars[i-1].W {
			t.Errorf("bar %d is taller than the one before it, or overlaps it", i)
		}
	}
	// 21 of 25 on the axis is 84 % of its height; the line ends at 100 %.
	if h := float64(g.Bars[0].H) / float64(g.Base-g.Top); h < 0.835 || h > 0.845 {
		t.Errorf("first bar %.3f of the height", h)
	}
	if !strings.HasSuffix(g.Line, ","+formatInt(&g.Top)) {
		t.Errorf("the line ends at %s, want y = %d", g.Line, g.Top)
	}
	if newPareto(nil, 0) != nil || newMonthChart(nil) != nil {
		t.Error("a picture of nothing")
	}
}

func TestTickStep(t *testing.T) {
	t.Parallel()
	for most, want := range map[int]int{1: 1, 5: 1, 6: 2, 10: 2, 21: 5, 26: 10, 300: 100} {
		if got := tickStep(most); got != want {
			t.Errorf("tickStep(%d) = %d, want %d", most, got, want)
		}
	}
}

func TestRedirectsStayHere(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{"/jobs/1?m=x": "/jobs/1?m=x", "": "/", "//evil.example": "/", "https://evil.example": "/", "/\\evil.example": "/", "/a\r\nb": "/"} {
		if got := localPath(in); got != want {
			t.Errorf("%q leads to %q, want %q", in, got, want)
		}
	}
}

func TestStopSignOfAnOutcome(t *testing.T) {
	t.Parallel()
	lib := sampleLibrary()
	if got := stopRule(lib, "phase_resistance_3", "one_open"); got != lib.Hazards[4].Rule {
		t.Errorf("rule %q", got)
	}
	if got := stopRule(lib, "phase_resistance_3", "balanced") + stopRule(lib, "interbox_visual", "one_open"); got != "" {
		t.Errorf("a stop where there is none: %q", got)
	}
}
