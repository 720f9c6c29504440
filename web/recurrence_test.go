package web

import (
	"encoding/csv"
	"math"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"nextprobe/internal/shop"
)

// under are the elements that match the last of some simple selectors, each within
// what the one before matches.
func under(a answer, selectors string) []*html.Node {
	a.t.Helper()
	parts := strings.Fields(selectors)
	found := a.nodes(parts[0])
	for _, s := range parts[1:] {
		var next []*html.Node
		for _, n := range found {
			for d := range n.Descendants() {
				if d.Type == html.ElementNode && matches(d, s) {
					next = append(next, d)
				}
			}
		}
		found = next
	}
	return found
}

const sampleDetail = "/recurrence/detail?group=component&key=interbox_connector"

// Every picture has its figures in a table beside it, a title and a description.
func TestRecurrenceDetailShowsPicturesAndTables(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	a := c.get(sampleDetail + "&against=gasket")
	for _, s := range []string{"section#trend svg desc", "section#trend path.step-line", "section#trend path.step-band", "section#repairs path.step-line.s1", "section#against table", "section#first path.step-line", "section#first table", "section#jobs table",
		"p.bad-actor", `select[name=against]`, `select[name=until]`} {
		if len(under(a, s)) == 0 {
			t.Errorf("nothing matches %s", s)
		}
	}
	if n := len(under(a, "section#trend details tbody tr")); n != 2 {
		t.Errorf("%d rows beside the mean cumulative function, want a row a step", n)
	}
	// Two steps and a repair without a comeback, then one line for each repair.
	if n := len(under(a, "section#repairs details tbody tr")); n != 5 {
		t.Errorf("%d rows beside the survival curves", n)
	}
	if !strings.Contains(a.Body, "40 to no bound") {
		t.Error("the bounds of the median are not there")
	}
	if len(a.nodes("p#until-contact")) != 0 || len(c.get(sampleDetail+"&until=contact").nodes("p#until-contact")) != 1 {
		t.Error("what following to the last contact does is not said where it is done")
	}
	a = c.get(sampleDetail + "&against=elsewhere")
	if len(a.nodes("p.wrong")) != 1 || len(a.nodes("section#against")) != 0 {
		t.Errorf("a comparison that cannot be made: %s", a.one("form.asks"))
	}
	if a = c.get(strings.Replace(sampleDetail, "component", "action", 1)); len(a.nodes("section#trend")) != 0 {
		t.Error("a repair's life has no trend, but one is shown")
	}
}

func TestRecurrenceListMarksBadActors(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	a := c.get("/recurrence")
	if n := len(under(a, "table.list span.bad-actor")); n != 1 {
		t.Errorf("%d bad actors are marked", n)
	}
	trends := under(a, "table.list td.say")
	if len(trends) != 5 || text(trends[0]) != "worse" || text(trends[1]) != "–" || len(a.nodes("p#trend-note")) != 1 {
		t.Errorf("%d trends, or no word of how they were found", len(trends))
	}
}

func readCSV(t *testing.T, a answer) [][]string {
	t.Helper()
	if got := a.Header.Get("Content-Type"); !strings.HasPrefix(got, "text/csv") || !strings.Contains(a.Header.Get("Content-Disposition"), ".csv") {
		t.Errorf("content type %q, disposition %q", got, a.Header.Get("Content-Disposition"))
	}
	rows, err := csv.NewReader(strings.NewReader(a.Body)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func TestRecurrenceExports(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	rows := readCSV(t, c.get("/recurrence/list.csv?group=component"))
	if len(rows) != 6 || rows[1][1] != "interbox_connector" || rows[1][3] != "21" || rows[1][9] != "0.61" || rows[1][16] != "0.002" ||
		rows[1][18] != "worse" || rows[1][19] != "3.3" || rows[1][22] != "0.049" || rows[2][18] != "unknown" || rows[2][22] != "" {
		t.Errorf("list %v", rows)
	}
	rows = readCSV(t, c.get(strings.Replace(sampleDetail, "detail", "detail.csv", 1)+"&against=gasket"))
	have := map[string]int{}
	for _, r := range rows[1:] {
		have[r[0]]++
		if strings.HasPrefix(r[1], "=") {
			t.Errorf("a spreadsheet would run %q", r[1])
		}
	}
	for figure, n := range map[string]int{"mean cumulative function": 2, "Kaplan-Meier after repair": 2, "median life after repair": 2, "rate": 1, "Kaplan-Meier from fitting": 1, "Weibull B10 from fitting": 1, "Laplace": 1, "rate ratio": 1, "log-rank chi-square": 1, "failure": 1} {
		if have[figure] != n {
			t.Errorf("%d rows of %s, want %d", have[figure], figure, n)
		}
	}
}

func TestCSVTextIsNoFormula(t *testing.T) {
	t.Parallel()
	for _, in := range []string{"=1+1", "+49", "-3", "@x", "\t=1", " =1"} {
		if got := csvText(in); got != "'"+in {
			t.Errorf("%q becomes %q", in, got)
		}
	}
	for _, in := range []string{"M3", "", "a=b"} {
		if got := csvText(in); got != in {
			t.Errorf("%q becomes %q", in, got)
		}
	}
}

func TestStepPlot(t *testing.T) {
	t.Parallel()
	nan := math.NaN()
	g := newStepPlot("x", "", "", "", 1, []curve{{"a", 1, 100, []step{{50, 0.5, 0.2, 0.8}, {80, 0, nan, nan}}}, {"b", 1, 40, nil}})
	// 0 to 100 is 56 to 600 wide, 1 to 0 is 34 to 236 high.
	if want := "M56.0 34.0H328.0V135.0H491.2V236.0H600.0"; g.Series[0].Line != want {
		t.Errorf("line %s, want %s", g.Series[0].Line, want)
	}
	if want := "M328.0 74.4H491.2V195.6H328.0Z"; g.Series[0].Band != want {
		t.Errorf("band %s, want %s", g.Series[0].Band, want)
	}
	if want := "M56.0 34.0H273.6"; g.Series[1].Line != want || g.Series[1].Band != "" {
		t.Errorf("line %s, want %s", g.Series[1].Line, want)
	}
	if curveLetter(0)+curveLetter(25)+curveLetter(26) != "AZAA" {
		t.Error("letters of curves")
	}
	if newStepPlot("x", "", "", "", 1, nil) != nil || newMeanPlot(shop.RecurrenceLife{}) != nil || newRepairPlot(shop.RecurrenceLife{}) != nil {
		t.Error("a picture of nothing")
	}
	for top, want := range map[float64]int{1: 6, 365: 4, 0.4: 5, 2500: 6} {
		marks := evenMarks(top)
		if len(marks) != want || marks[len(marks)-1] > top*(1+1e-9) {
			t.Errorf("marks of %g: %v", top, marks)
		}
	}
}

// Two keys' lives, the modes of failure and the pieces that moved are each a picture with
// its table, or a sentence, and are all in the file.
func TestRecurrenceDetailShowsLives(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	a := c.get(sampleDetail + "&against=gasket")
	for s, n := range map[string]int{"section#against path.step-line": 2, "section#against svg desc": 1, "section#against details tbody tr": 5, "section#against h3": 1,
		"section#first table#modes-table tr": 3, "section#moved li": 2, "section#moved li a": 3, "section#moved li strong": 1} {
		if got := len(under(a, s)); got != n {
			t.Errorf("%d match %s, want %d", got, s, n)
		}
	}
	if first := text(under(a, "section#moved li")[0]); !strings.Contains(first, "contradicts itself") {
		t.Errorf("a contradiction does not come first: %s", first)
	}
	if a = c.get(sampleDetail); len(under(a, "section#against")) != 0 || len(under(a, "section#first path.step-line")) != 3 {
		t.Error("the curves of first life and modes")
	}
	have := map[string]int{}
	for _, r := range readCSV(t, c.get(strings.Replace(sampleDetail, "detail", "detail.csv", 1)+"&against=gasket")) {
		have[r[0]]++
		if strings.HasPrefix(r[1], "=") || strings.HasPrefix(r[14], "=") {
			t.Errorf("a spreadsheet would run %q", r)
		}
	}
	for figure, n := range map[string]int{"Aalen-Johansen from fitting": 2, "share failed by mode": 2, "stay of a piece": 2, "piece on several boards": 2,
		"Kaplan-Meier after a repair until the comeback": 2, "median life after a repair until the comeback": 2, "log-rank chi-square of the two": 1} {
		if have[figure] != n {
			t.Errorf("%d rows of %s, want %d", have[figure], figure, n)
		}
	}
	many := make([]shop.PieceHistory, maxMoved+3)
	if shown, more := shownMoved(many); len(shown) != maxMoved || more != 3 {
		t.Errorf("%d shown, %d more", len(shown), more)
	}
	if newModesPlot(shop.RecurrenceLife{}) != nil || newAgainstPlot(nil, "d") != nil {
		t.Error("a picture of nothing")
	}
}

// A filter is kept in every link and file, named in words, and one that is refused says
// so beside its field and is taken out.
func TestRecurrenceFilterIsKept(t *testing.T) {
	t.Parallel()
	_, c := signedIn(t)
	const narrowed = "model=%3DAlder+GT"
	for path, links := range map[string]string{"/recurrence?group=component": "table.list th a", sampleDetail: "section#jobs a.button"} {
		if a := c.get(path); len(a.nodes("strong.narrowed")) != 0 || len(under(a, "details.filters select")) != 5 {
			t.Errorf("%s: %d fields", path, len(under(a, "details.filters select")))
		}
		a := c.get(path + "&cause=&" + narrowed)
		if got := a.one("strong.narrowed"); !strings.Contains(got, "=Alder GT") {
			t.Errorf("%s: %s", path, got)
		}
		found := under(a, links)
		if len(found) == 0 {
			t.Errorf("%s: no links", path)
		}
		for _, n := range found {
			if href := attr(n, "href"); !strings.Contains(href, narrowed) {
				t.Errorf("%s leads to %s", path, href)
			}
		}
		for _, n := range under(a, "a.button") {
			if href := attr(n, "href"); strings.HasPrefix(href, "/recurrence") && !strings.Contains(href, narrowed) {
				t.Errorf("%s leads to %s", path, href)
			}
		}
		if chosen := under(a, "select[name=model] option[selected]"); len(chosen) != 1 || attr(chosen[0], "value") != "=Alder GT" {
			t.Errorf("%s: the chosen model is not shown", path)
		}
		a = c.get(path + "&model=elsewhere")
		if len(under(a, "details.filters p.wrong")) != 1 || len(a.nodes("strong.narrowed")) != 0 {
			t.Errorf("%s: a filter that was refused", path)
		}
		// A component that the library knows no longer stays chosen.
		if a = c.get(path + "&component=old_thing"); len(under(a, "select[name=component] option[selected]")) != 1 {
			t.Errorf("%s: an old component is not shown as chosen", path)
		}
	}
	rows := readCSV(t, c.get("/recurrence/list.csv?group=component&"+narrowed))
	if last := len(rows[0]) - 2; rows[0][last] != "narrowed_to" || rows[1][last] != "boards of the model =Alder GT" {
		t.Errorf("list %v", rows)
	}
	rows = readCSV(t, c.get(strings.Replace(sampleDetail, "detail", "detail.csv", 1)+"&"+narrowed))
	if rows[1][0] != "narrowed to" || rows[1][len(rows[1])-1] != "boards of the model =Alder GT" {
		t.Errorf("detail %v", rows[1])
	}
}
