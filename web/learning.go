package web

import (
	"fmt"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/learning"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

const (
	// leastMove is the least factor of the odds by which a number in use must have
	// moved to be shown for itself.
	leastMove = 1.1
	// usedShown is how many numbers in use are shown without being asked for.
	usedShown = 9
	// fewShown bounds the list of numbers with too few jobs.
	fewShown = 12
	// lessonsListed bounds the list of judged jobs; the newest matter.
	lessonsListed = 30
	// leastBound is the least lower bound that is not shown as 0.
	leastBound = 1e-4
	// levelShown is the least probability of a level that is shown, of a link with many.
	levelShown = 0.005
)

// LearningPage is what the shop's jobs made of the library's numbers, and how
// honest the probabilities have been.
type LearningPage struct {
	Layout
	View     shop.LearnedView
	Waiting  []NumberCard
	Used     []NumberCard
	MoreUsed []NumberCard // those that moved less
	Rejected []NumberCard
	Steady   int // numbers in use that hardly moved
	Few      []NumberCard
	MoreFew  int
	Lessons  []LessonRow
	Said     []DecisionRow
	Coming   string // what is still in its waiting time
	Honest   Honesty
	form     *Form // the one that was refused
}

// NumberCard is one learned number.
type NumberCard struct {
	Subject, Anchor string
	Title, About    string // the cause, and what the number says of it
	Status          string // in words
	Fine            bool   // in use
	Jobs            string
	Rows            []LevelRow
	From            []shop.LessonShare
	Change          string
	Form            *Form
}

// LevelRow is one probability of a number.
type LevelRow struct {
	Name, Expert, Learned, Range, Used string
}

// LessonRow is a judged job.
type LessonRow struct {
	shop.JobLesson
	What string
	Fine bool
}

// DecisionRow is what the owner said of a number.
type DecisionRow struct {
	shop.LearningDecision
	Title, Then string
}

var verdictWords = map[shop.Verdict]string{
	shop.Taught: "taught: its repair held", shop.Comeback: "came back: no credit", shop.Waived: "a fault was left unrepaired",
	shop.Unrepaired: "nothing was repaired", shop.Unreadable: "its observations contradict each other",
}

var statusWords = map[learning.Status]string{
	learning.ExpertPrior: "expert prior", learning.Applied: "in use", learning.Accepted: "accepted, in use",
	learning.Waiting: "waits for your decision", learning.Rejected: "rejected, the library's number is used",
}

func (p *Pages) learningPage(c echo.Context) error { return p.showLearning(c, http.StatusOK, nil) }

func (p *Pages) showLearning(c echo.Context, status int, f *Form) error {
	ctx, a := c.Request().Context(), actorOf(c)
	v, err := p.svc.Learned(ctx, a)
	if err != nil {
		return err
	}
	cal, err := p.svc.Calibration(ctx, a)
	if err != nil {
		return err
	}
	pg := &LearningPage{Layout: Layout{Title: "Learning", Section: "/learning", Wide: true}, View: v, Honest: newHonesty(cal), Coming: coming(v.Queue), form: f}
	names := map[string]string{}
	for i := range v.Numbers {
		n := &v.Numbers[i]
		card := pg.card(n)
		names[n.Subject] = card.Title + ", " + card.About
		switch {
		case n.Status == learning.Waiting:
			pg.Waiting = append(pg.Waiting, card)
		case n.Status == learning.Rejected:
			pg.Rejected = append(pg.Rejected, card)
		case n.Status == learning.ExpertPrior && len(pg.Few) < fewShown:
			pg.Few = append(pg.Few, card)
		case n.Status == learning.ExpertPrior:
			pg.MoreFew++
		case n.Status == learning.Applied && n.Change < leastMove && (f == nil || f.Get("subject") != n.Subject):
			pg.Steady++
		case len(pg.Used) < usedShown || f != nil && f.Get("subject") == n.Subject:
			pg.Used = append(pg.Used, card)
		default:
			pg.MoreUsed = append(pg.MoreUsed, card)
		}
	}
	for _, l := range v.Lessons[:min(lessonsListed, len(v.Lessons))] {
		pg.Lessons = append(pg.Lessons, LessonRow{l, verdictWords[l.Verdict], l.Verdict == shop.Taught})
	}
	for _, d := range v.Decisions {
		row := DecisionRow{LearningDecision: d, Title: names[d.Subject], Then: thenWords(d)}
		if row.Title == "" {
			row.Title = d.Subject
		}
		pg.Said = append(pg.Said, row)
	}
	return p.render(c, status, "learning", pg)
}

func (pg *LearningPage) card(n *shop.LearnedNumber) NumberCard {
	card := NumberCard{Subject: n.Subject, Anchor: "n-" + strings.NewReplacer("@", "-", ":", "-").Replace(n.Subject), Title: n.CauseName, About: "how often a board comes in with it",
		Status: statusWords[n.Status], Fine: n.InUse(), Jobs: significant(n.Jobs, 2), From: n.From, Change: significant(n.Change, 2)}
	if n.Finding != "" {
		card.About = "what it shows at “" + n.FindingName + "”"
	}
	for z, l := range n.Levels {
		if len(n.Levels) > 2 && l.Expert < levelShown && l.Learned < levelShown {
			continue
		}
		row := LevelRow{Name: n.LevelNames[z], Expert: share(l.Expert), Learned: share(l.Learned), Range: boundsText(l.Lower, l.Upper), Used: share(l.Used)}
		if n.Finding == "" {
			row.Name = "there"
		}
		card.Rows = append(card.Rows, row)
	}
	card.Form = emptyForm(card.Anchor)
	if pg.form != nil && pg.form.Get("subject") == n.Subject {
		card.Form = pg.form
		card.Form.ID = card.Anchor
	}
	return card
}

// coming says what is still in its waiting time.
func coming(q shop.LearningQueue) string {
	var out []string
	if q.Waiting > 0 {
		s := plural(q.Waiting, "job is", "jobs are") + " in the waiting time of 30 days after the hand-back"
		if q.Next != nil {
			s += ", the first until " + q.Next.Local().Format("2 Jan 2006")
		}
		out = append(out, s+".")
	}
	if q.Failed > 0 {
		out = append(out, plural(q.Failed, "job", "jobs")+" could not be judged after every attempt; the server's log says why.")
	}
	return strings.Join(out, " ")
}

func thenWords(d shop.LearningDecision) string {
	if len(d.Learned) == 1 && len(d.Expert) == 1 {
		return share(d.Expert[0]) + " → " + share(d.Learned[0])
	}
	var parts []string
	for z := range d.Learned {
		if z < len(d.Expert) && z < len(d.Levels) && (d.Expert[z] >= levelShown || d.Learned[z] >= levelShown) {
			parts = append(parts, fmt.Sprintf("%s %s → %s", words(d.Levels[z]), share(d.Expert[z]), share(d.Learned[z])))
		}
	}
	return strings.Join(parts, "; ")
}

// share prints a probability with two digits that count, small ones too.
func share(p float64) string {
	if p >= 0.995 {
		return percent(p)
	}
	return significant(100*p, 2) + "\u00a0%"
}

func boundsText(lower, upper float64) string {
	if lower < leastBound {
		lower = 0
	}
	return strings.TrimSuffix(share(lower), "\u00a0%") + " to " + share(upper)
}

// decideLearned takes the owner's word on a number.
func (p *Pages) decideLearned(c echo.Context) error {
	f, err := readForm(c, "decide")
	if err != nil {
		return err
	}
	accept := f.Get("verdict") == "accept"
	if !accept && f.Get("verdict") != "reject" {
		return problem.New(problem.Invalid, "Say accept or reject.")
	}
	subject := f.Get("subject")
	_, err = p.svc.DecideLearned(c.Request().Context(), actorOf(c), subject, accept, f.Text("reason"))
	if err != nil {
		pe := userMistake(err)
		if pe == nil {
			return err
		}
		f.fail(pe)
		return p.showLearning(c, http.StatusUnprocessableEntity, f)
	}
	done := "Rejected: new jobs use the library's number until the jobs have moved it notably."
	if accept {
		done = "Accepted: jobs taken in from now on use the learned number."
	}
	p.flash(c, done)
	return redirect(c, "/learning")
}

// rebuildLearning adds up the judged jobs anew.
func (p *Pages) rebuildLearning(c echo.Context) error {
	r, err := p.svc.RebuildLearning(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	done := "Added up anew from " + plural(r.Lessons, "job", "jobs") + " that taught: "
	if r.Moved == 0 {
		done += "every number came out as it was."
	} else {
		done += plural(r.Moved, "number", "numbers") + " came out otherwise. New jobs use what is shown here."
	}
	p.flash(c, done)
	return redirect(c, "/learning")
}
