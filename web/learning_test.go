package web

import (
	"context"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func sampleNumber(status learning.Status, cause string, expert, learned float64) shop.LearnedNumber {
	return shop.LearnedNumber{CauseName: "Contact burnt in the power connector", LevelNames: []string{"present"},
		From: []shop.LessonShare{{JobID: oldJobID, JobNumber: 214, Share: 0.98}, {JobID: jobID, JobNumber: 231, Share: 0.8}},
		Number: learning.Number{Subject: cause, Cause: cause, Jobs: 8.4, Change: 4.2, Status: status,
			Levels: []learning.Level{{Name: "present", Expert: expert, Learned: learned, Lower: learned / 2, Upper: learned * 1.5, Used: expert}}}}
}

func sampleLearned() shop.LearnedView {
	on := sampleNow.AddDate(0, -2, 0)
	link := sampleNumber(learning.Applied, "interbox_pin_burned", 0.8, 0.7)
	link.Subject, link.Finding, link.FindingName = "interbox_pin_burned@m:interbox_visual", "m:interbox_visual", "Power connector between boxes, both halves"
	link.LevelNames = []string{"normal", "contact missing, bent or pushed back", "arc pitting, brown or melted housing"}
	link.Levels = []learning.Level{{Name: "clean", Expert: 0.2, Learned: 0.297, Lower: 0.15, Upper: 0.45, Used: 0.297}, {Name: "pin_damaged", Learned: 0.003, Upper: 0.02, Used: 0.003}, {Name: "soot", Expert: 0.8, Learned: 0.7, Lower: 0.55, Upper: 0.83, Used: 0.7}}
	few := sampleNumber(learning.ExpertPrior, "winding_open", 0.004, 0.0052)
	few.CauseName, few.Jobs, few.From = "Winding open", 1.2, nil
	steady := sampleNumber(learning.Applied, "steady", 0.02, 0.0201)
	steady.Change = 1.01
	rejected := sampleNumber(learning.Rejected, "gasket_set", 0.02, 0.055)
	rejected.CauseName = "Gasket has taken a set"
	return shop.LearnedView{Library: shop.LibraryVersion{ID: sid(70), Number: 2}, Jobs: 31, Weight: 24.6, AsOf: &on,
		Numbers: []shop.LearnedNumber{sampleNumber(learning.Waiting, "interbox_pin_burned", 0.024, 0.11), rejected, link, steady, few},
		Decisions: []shop.LearningDecision{{ID: sid(71), Subject: "gasket_set", Levels: []string{"present"}, Expert: []float64{0.02}, Learned: []float64{0.055}, Jobs: 7, Reason: "That was one bad lot.", At: sampleNow, By: "Runa Applewhistle"},
			{ID: sid(72), Subject: "interbox_pin_burned@m:interbox_visual", Accepted: true, Levels: []string{"clean", "soot"}, Expert: []float64{0.2, 0.8}, Learned: []float64{0.3, 0.7}, Reason: "As we see it.", At: sampleNow, By: "Runa Applewhistle"}},
		Lessons: []shop.JobLesson{{JobID: jobID, JobNumber: 231, Verdict: shop.Taught, On: on, At: sampleNow}, {JobID: oldJobID, JobNumber: 214, Verdict: shop.Comeback, LaterJob: ref(jobID), On: on, At: sampleNow}},
		Queue:   shop.LearningQueue{Waiting: 3, Next: ref(sampleNow.Add(240 * time.Hour)), Failed: 1}}
}

// sampleCalibration is the score of invented forecasts, one range of them too sure.
func sampleCalibration() shop.CalibrationView {
	var list []learning.Forecast
	for _, f := range []struct {
		p    float64
		k, n int
	}{{0.03, 2, 60}, {0.15, 3, 20}, {0.55, 5, 10}, {0.92, 9, 20}} {
		for i := range f.n {
			list = append(list, learning.Forecast{P: f.p, Happened: i < f.k})
		}
	}
	c, err := learning.Calibrate(list, 10)
	if err != nil {
		panic(err)
	}
	return shop.CalibrationView{Calibration: c, Jobs: 31, LeftOut: 2, Missed: 1, Leading: shop.LeadingCause{Jobs: 31, Right: 24, MeanForecast: 0.81, Lower: 0.59, Upper: 0.9}}
}

func (s *fakeShop) Learned(context.Context, shop.Actor) (shop.LearnedView, error) {
	return sampleLearned(), nil
}

func (s *fakeShop) Calibration(context.Context, shop.Actor) (shop.CalibrationView, error) {
	return sampleCalibration(), nil
}

func (s *fakeShop) DecideLearned(_ context.Context, _ shop.Actor, subject string, accept bool, reason string) (shop.LearningDecision, error) {
	if len(reason) < 3 {
		return shop.LearningDecision{}, problem.InField("reason", "must say why")
	}
	return shop.LearningDecision{}, s.write([]any{subject, accept, reason})
}

func (s *fakeShop) RebuildLearning(context.Context, shop.Actor) (shop.LearningRebuild, error) {
	return shop.LearningRebuild{Lessons: 31, Moved: s.moved}, s.write("rebuild")
}

func TestRebuildLearning(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	if n := len(c.get("/learning").nodes("form[action=/learning/rebuild]")); n != 1 {
		t.Fatalf("%d buttons", n)
	}
	for moved, want := range map[int]string{0: "31 jobs that taught: every number came out as it was", 1: "1 number came out otherwise", 3: "3 numbers came out otherwise"} {
		svc.moved = moved
		a := c.follow("/learning/rebuild", nil)
		if !strings.Contains(a.Body, want) {
			t.Errorf("%d moved: the page does not say %q", moved, want)
		}
		checkPage(t, a)
	}
	if !equal(svc.calls, []any{"rebuild", "rebuild", "rebuild"}) {
		t.Errorf("wrote %v", svc.calls)
	}
	svc.role = shop.Technician
	if n := len(c.get("/learning").nodes("form[action=/learning/rebuild]")); n != 0 {
		t.Error("a technician sees the button")
	}
}

func TestLearningPageSaysWhatMovedAndWhy(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	a := c.get("/learning")
	for selector, want := range map[string][]string{
		"section#waiting":  {"Contact burnt in the power connector", "2.4 %", "11 %", "5.5 to 16 %", "waits for your decision", "8.4 effective jobs", "job 214", "job 231"},
		"section#used":     {"what it shows at", "arc pitting", "70 %", "in use", "1 number in use has hardly moved and is not listed"},
		"section#rejected": {"Gasket has taken a set", "rejected, the library's number is used"},
		"section#few":      {"Winding open", "expert prior", "1.2", "0.4 %"},
		"section#honest":   {"In 24 of 31 jobs the most probable cause was there (77 %", "too high", "agrees", "Brier score", "log score", "1 confirmed fault had been given less than 1 %", "2 judged jobs are left out"},
		"section#said":     {"That was one bad lot.", "2 % → 5.5 %", "clean 20 % → 30 %; soot 80 % → 70 %"},
		"section#lessons":  {"taught: its repair held", "came back: no credit", "the later job"},
	} {
		got := strings.ReplaceAll(a.one(selector), "\u00a0", " ")
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%s lacks %q:\n%s", selector, w, got)
			}
		}
	}
	if strings.Contains(a.one("section#used"), "missing, bent") {
		t.Error("a level of next to no probability is listed")
	}
	if n := len(a.nodes("circle.point")); n != 4 {
		t.Errorf("%d points, want 4", n)
	}
	for _, id := range []shop.ID{oldJobID, jobID} {
		if len(a.nodes("a[href=/jobs/"+id.String()+"]")) < 2 {
			t.Errorf("the numbers do not lead to job %s", id)
		}
	}
	if !strings.Contains(a.Body, "3 jobs are in the waiting time") || !strings.Contains(a.Body, "1 job could not be judged") {
		t.Error("what is to come is not said")
	}
}

func TestDecideLearned(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	v := url.Values{"subject": {"interbox_pin_burned"}, "verdict": {"accept"}, "reason": {"Salt on the roads."}}
	if a := c.post("/learning/decide", v); a.Code != http.StatusSeeOther || a.Header.Get("Location") != "/learning" {
		t.Errorf("status %d to %s", a.Code, a.Header.Get("Location"))
	}
	if got := svc.calls; !equal(got, []any{[]any{"interbox_pin_burned", true, "Salt on the roads."}}) {
		t.Errorf("wrote %v", got)
	}
	// A refused reason comes back beside its number, with what was typed.
	v.Set("verdict", "reject")
	v.Set("reason", "x")
	a := c.post("/learning/decide", v)
	if a.Code != http.StatusUnprocessableEntity || !strings.Contains(a.one("div#n-interbox_pin_burned-mistakes"), "must say why") ||
		attr(a.nodes("input#n-interbox_pin_burned-reason")[0], "value") != "x" {
		t.Errorf("status %d\n%s", a.Code, a.Body)
	}
	checkPage(t, a)
	v.Set("verdict", "perhaps")
	if a := c.post("/learning/decide", v); a.Code != http.StatusUnprocessableEntity {
		t.Errorf("status %d", a.Code)
	}
}

// A technician reads the page and has nothing to press.
func TestLearningIsTheOwnersToDecide(t *testing.T) {
	t.Parallel()
	svc, c := signedIn(t)
	svc.role = shop.Technician
	a := c.get("/learning")
	if a.Code != http.StatusOK || len(a.nodes("form[action=/learning/decide]")) != 0 || !strings.Contains(a.one("section#waiting"), "Waits for the owner") {
		t.Errorf("status %d\n%s", a.Code, a.one("section#waiting"))
	}
}

// A new shop has learned nothing and is told what it takes.
func TestLearningOfANewShop(t *testing.T) {
	t.Parallel()
	_, _, c := atRealShop(t)
	a := c.get("/learning")
	checkPage(t, a)
	if got := a.one("p#nothing"); !strings.HasPrefix(got, "Nothing was learned yet") {
		t.Errorf("%q", got)
	}
	if !strings.Contains(a.one("section#honest"), "No job has shown yet") || len(a.nodes("svg.reliability"))+len(a.nodes("section#waiting")) > 0 {
		t.Error("there is something to see where nothing was learned")
	}
}

func TestReliabilityDiagramKeepsItsPlace(t *testing.T) {
	t.Parallel()
	v := sampleCalibration()
	g := newReliability(v)
	for i, p := range g.Points {
		b := v.Bins[i]
		if p.X < g.Left || p.X > g.Right || p.YHigh < g.Top || p.YLow > g.Base || p.YHigh > p.Y || p.Y > p.YLow {
			t.Errorf("%+v leaves the picture", p)
		}
		if want := float64(g.Left) + float64(g.Right-g.Left)*b.Mean; math.Abs(float64(p.X)-want) > 0.51 {
			t.Errorf("point %d at x %d, want %v", i, p.X, want)
		}
	}
	if !strings.Contains(g.Description, "92") {
		t.Errorf("%s", g.Description)
	}
	if h := newHonesty(shop.CalibrationView{}); h.Jobs != 0 || h.Diagram != nil || h.Sentences != nil {
		t.Errorf("no jobs: %+v", h)
	}
}
