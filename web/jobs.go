package web

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// openStates are the columns of the job board, in the order of the work.
var openStates = []shop.State{
	shop.Received, shop.Diagnosing, shop.AwaitingApproval, shop.AwaitingParts, shop.Repairing, shop.Verifying, shop.Ready, shop.Declined,
}

var closedStates = []shop.State{shop.Returned, shop.Scrapped}

// JobsPage shows the jobs by state.
type JobsPage struct {
	Layout
	Query    string
	Selected shop.State
	Columns  []JobColumn
	States   []StateCount // for the selector of small screens
	Closed   []StateCount
	Found    bool   // the page answers a search
	Next     string // address of the next page of a single state
	Alerts   AlertList
}

// JobColumn is the jobs in one state.
type JobColumn struct {
	State shop.State
	Count int
	Cards []JobCard
	More  int
	// Shown marks the column a small screen shows.
	Shown bool
}

// StateCount is an entry of the state selector.
type StateCount struct {
	State   shop.State
	Count   int
	Current bool
}

// JobCard is one job as lists show it.
type JobCard struct {
	shop.JobSummary
	Waiting string // since it came in
	Since   time.Time
}

// columnLength bounds a column of the overview; the state's own page has the rest.
const columnLength = 30

func (p *Pages) jobsPage(c echo.Context) error { return p.showJobs(c, http.StatusOK, nil) }

// showJobs shows the jobs, and a form of an alert that was refused.
func (p *Pages) showJobs(c echo.Context, status int, refused *Form) error {
	ctx, a := c.Request().Context(), actorOf(c)
	pg := &JobsPage{Layout: Layout{Title: "Jobs", Section: "/", Wide: true}, Query: strings.TrimSpace(c.QueryParam("q"))}
	if pg.Query != "" {
		pg.Found, pg.Title = true, "Jobs found"
		jobs, err := p.svc.Jobs(ctx, a, shop.JobFilter{Query: pg.Query, Page: shop.Page{Limit: 100}})
		if err != nil {
			return err
		}
		pg.Columns = []JobColumn{{Count: len(jobs.Items), Cards: p.cards(jobs.Items), Shown: true}}
		return p.render(c, http.StatusOK, "jobs", pg)
	}
	counts, err := p.svc.JobCounts(ctx, a)
	if err != nil {
		return err
	}
	pg.Selected = shop.State(c.QueryParam("state"))
	single := contains(closedStates, pg.Selected)
	cursor := c.QueryParam("after")
	if single || cursor != "" {
		return p.jobsInState(c, pg, counts, cursor)
	}
	open, err := p.svc.Jobs(ctx, a, shop.JobFilter{States: openStates, Page: shop.Page{Limit: 200}})
	if err != nil {
		return err
	}
	if !openState(pg.Selected) {
		pg.Selected = firstBusy(counts)
	}
	by := map[shop.State][]shop.JobSummary{}
	for _, j := range open.Items {
		by[j.Job.State] = append(by[j.Job.State], j)
	}
	for _, s := range openStates {
		items := by[s]
		if len(items) > columnLength {
			items = items[:columnLength]
		}
		pg.Columns = append(pg.Columns, JobColumn{State: s, Count: counts[s], Cards: p.cards(items), More: counts[s] - len(items), Shown: s == pg.Selected})
	}
	pg.selectors(counts)
	if pg.Alerts, err = p.alerts(c, refused); err != nil {
		return err
	}
	return p.render(c, status, "jobs", pg)
}

func (p *Pages) jobsInState(c echo.Context, pg *JobsPage, counts map[shop.State]int, cursor string) error {
	jobs, err := p.svc.Jobs(c.Request().Context(), actorOf(c), shop.JobFilter{States: []shop.State{pg.Selected}, Page: shop.Page{Limit: 50, Cursor: strings.TrimPrefix(cursor, "first")}})
	if err != nil {
		return err
	}
	pg.Title = "Jobs " + stateText(pg.Selected)
	pg.Columns = []JobColumn{{State: pg.Selected, Count: counts[pg.Selected], Cards: p.cards(jobs.Items), Shown: true}}
	if jobs.Next != "" {
		pg.Next = jobs.Next
	}
	pg.selectors(counts)
	pg.Found = true
	return p.render(c, http.StatusOK, "jobs", pg)
}

func (pg *JobsPage) selectors(counts map[shop.State]int) {
	for _, s := range openStates {
		pg.States = append(pg.States, StateCount{s, counts[s], s == pg.Selected})
	}
	for _, s := range closedStates {
		pg.Closed = append(pg.Closed, StateCount{s, counts[s], s == pg.Selected})
	}
}

func openState(s shop.State) bool {
	return contains(openStates, s)
}

// firstBusy is the state a small screen opens with: the first that has jobs.
func firstBusy(counts map[shop.State]int) shop.State {
	for _, s := range openStates {
		if counts[s] > 0 {
			return s
		}
	}
	return shop.Received
}

func (p *Pages) cards(jobs []shop.JobSummary) []JobCard {
	out := make([]JobCard, len(jobs))
	now := p.opt.Now()
	for i, j := range jobs {
		end := now
		if j.Job.ClosedAt != nil {
			end = *j.Job.ClosedAt
		}
		out[i] = JobCard{JobSummary: j, Waiting: waiting(end, j.Job.OpenedAt), Since: j.Job.OpenedAt}
	}
	return out
}

// find goes straight to a job whose number was typed, and else lists what matches.
func (p *Pages) find(c echo.Context) error {
	q := strings.TrimSpace(c.QueryParam("q"))
	if n, err := strconv.Atoi(strings.TrimPrefix(q, "#")); err == nil && n > 0 {
		id, err := p.svc.JobByNumber(c.Request().Context(), actorOf(c), n)
		if err == nil {
			return redirect(c, "/jobs/"+id.String())
		}
		if !problem.Is(err, problem.NotFound) {
			return err
		}
	}
	pg := "/"
	if q != "" {
		pg += "?q=" + queryEscape(q)
	}
	return redirect(c, pg)
}
