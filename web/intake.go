package web

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/skip2/go-qrcode"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/shop"
)

func queryEscape(s string) string { return url.QueryEscape(s) }

// IntakePage first finds the board, then takes the job in.
type IntakePage struct {
	Layout
	Query  string
	Boards []shop.Board // found, while no board is chosen
	Recent bool         // Boards are the newest ones, nothing was searched
	Board  *shop.BoardFile
	// Earlier is a job within the warranty time.
	Earlier   *shop.EarlierJob
	Carries   Carries
	Form      *Form
	Exposures []Option
	Gates     []SymptomRow // asked before anything else
	Groups    []SymptomGroup
	StopRule  string
}

// SymptomGroup is a group of questions.
type SymptomGroup struct {
	Name string
	Rows []SymptomRow
	// Answered opens the group when the form comes back.
	Answered int
}

// SymptomRow is one question with its answer: "present", "absent" or "".
type SymptomRow struct {
	*faultlib.Symptom
	Field, Answer string
}

// exposures are how a board was used, in the contract's words.
var exposures = []Option{
	{Value: "rain", Label: "Rain or wet road"}, {Value: "immersion", Label: "Immersed or washed"}, {Value: "road_salt", Label: "Road salt or sea"},
	{Value: "crash", Label: "Crash or drop"}, {Value: "reworked", Label: "Opened or modified"}, {Value: "storage", Label: "Long storage"},
}

func (p *Pages) intakePage(c echo.Context) error {
	ctx, a := c.Request().Context(), actorOf(c)
	pg := &IntakePage{Layout: Layout{Title: "Intake", Section: "/intake"}, Query: strings.TrimSpace(c.QueryParam("q"))}
	if id, err := uuid.Parse(c.QueryParam("board")); err == nil {
		f := emptyForm("intake")
		if err := p.fillIntake(c, pg, id, f); err != nil {
			return err
		}
		f.Values.Set("odometer_km", formatFloat(pg.Board.Board.OdometerKM))
		return p.render(c, http.StatusOK, "intake", pg)
	}
	found, err := p.svc.Boards(ctx, a, shop.BoardFilter{Query: pg.Query, Page: shop.Page{Limit: 12}})
	if err != nil {
		return err
	}
	pg.Boards, pg.Recent = found.Items, pg.Query == ""
	return p.render(c, http.StatusOK, "intake", pg)
}

// intakeBoards answers the live search with the list alone.
func (p *Pages) intakeBoards(c echo.Context) error {
	q := strings.TrimSpace(c.QueryParam("q"))
	found, err := p.svc.Boards(c.Request().Context(), actorOf(c), shop.BoardFilter{Query: q, Page: shop.Page{Limit: 12}})
	if err != nil {
		return err
	}
	if !hxRequest(c) {
		return redirect(c, "/intake?q="+queryEscape(q))
	}
	return p.fragment(c, "intake", "found-boards", &IntakePage{Query: q, Boards: found.Items, Recent: q == ""})
}

func (p *Pages) fillIntake(c echo.Context, pg *IntakePage, board shop.ID, f *Form) error {
	ctx, a := c.Request().Context(), actorOf(c)
	file, err := p.svc.Board(ctx, a, board)
	if err != nil {
		return err
	}
	earlier, err := p.svc.EarlierJob(ctx, a, board)
	if err != nil {
		return err
	}
	if pg.Carries, err = p.carries(c, board); err != nil {
		return err
	}
	lib, _, err := p.svc.Library(ctx, a)
	if err != nil {
		return err
	}
	pg.Board, pg.Earlier, pg.Form = &file, earlier, f
	pg.Title = "Intake of " + file.Board.Serial
	for _, e := range exposures {
		e.Selected = f.Has("exposures", e.Value)
		pg.Exposures = append(pg.Exposures, e)
	}
	pg.Gates, pg.Groups = symptomGroups(lib, f)
	if n := len(lib.Hazards); n > 0 {
		pg.StopRule = lib.Hazards[n-1].Rule
	}
	return nil
}

// symptomGroups lays the questions out: stop signs first, then by group in the
// library's order.
func symptomGroups(lib *faultlib.Library, f *Form) (gates []SymptomRow, groups []SymptomGroup) {
	at := map[string]int{}
	for i := range lib.Symptoms {
		s := &lib.Symptoms[i]
		row := SymptomRow{Symptom: s, Field: "s." + s.ID, Answer: f.Get("s." + s.ID)}
		if s.SafetyStop {
			gates = append(gates, row)
			continue
		}
		n, ok := at[s.Group]
		if !ok {
			n = len(groups)
			at[s.Group] = n
			groups = append(groups, SymptomGroup{Name: s.Group})
		}
		groups[n].Rows = append(groups[n].Rows, row)
		if row.Answer != "" {
			groups[n].Answered++
		}
	}
	return gates, groups
}

func (p *Pages) intake(c echo.Context) error {
	f, err := readForm(c, "intake")
	if err != nil {
		return err
	}
	ctx, a := c.Request().Context(), actorOf(c)
	board, err := uuid.Parse(f.Get("board_id"))
	if err != nil {
		return redirect(c, "/intake")
	}
	in := shop.JobInput{
		BoardID: board, Complaint: f.Text("complaint"), OdometerKM: f.OptFloat("odometer_km"), OdometerReason: f.Text("odometer_reason"),
		Exposures: f.Values["exposures"], Condition: f.Text("condition"),
	}
	for _, name := range sortedKeys(f.Values) {
		id, ok := strings.CutPrefix(name, "s.")
		if !ok {
			continue
		}
		switch f.Get(name) {
		case "present":
			in.Symptoms = append(in.Symptoms, id)
		case "absent":
			in.AbsentSymptoms = append(in.AbsentSymptoms, id)
		}
	}
	var job shop.Job
	if err := f.save(func() (err error) { job, err = p.svc.OpenJob(ctx, a, in); return err }); err != nil {
		return err
	}
	if f.Failed() {
		pg := &IntakePage{Layout: Layout{Title: "Intake", Section: "/intake"}}
		if err := p.fillIntake(c, pg, board, f); err != nil {
			return err
		}
		return p.render(c, http.StatusUnprocessableEntity, "intake", pg)
	}
	p.flash(c, "Job taken in. Print the tag and fix it to the board.")
	return redirect(c, "/jobs/"+job.ID.String()+"/tag")
}

// TagPage is the printable tag of a job.
type TagPage struct {
	Layout
	File shop.JobFile
	URL  string
	Stop bool
}

func (p *Pages) tagPage(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	file, err := p.svc.Job(c.Request().Context(), actorOf(c), id)
	if err != nil {
		return err
	}
	d, err := p.svc.DiagnoseFile(c.Request().Context(), actorOf(c), file)
	if err != nil {
		return err
	}
	return p.render(c, http.StatusOK, "tag", &TagPage{
		Layout: Layout{Title: "Tag of job " + formatInt(&file.Job.Number), Section: "/intake"}, File: file, URL: p.jobURL(c, id), Stop: d.Stop != nil,
	})
}

// jobURL is what the tag's code holds.
func (p *Pages) jobURL(c echo.Context, id shop.ID) string {
	base := strings.TrimSuffix(p.opt.BaseURL, "/")
	if base == "" {
		base = c.Scheme() + "://" + c.Request().Host
	}
	return base + "/jobs/" + id.String()
}

// qrSize is the code's edge in pixels: four a module at the size printed.
const qrSize = 360

func (p *Pages) qrCode(c echo.Context) error {
	id, err := pathID(c, "id")
	if err != nil {
		return err
	}
	if _, err := p.svc.Job(c.Request().Context(), actorOf(c), id); err != nil {
		return err
	}
	// Level Q still reads with a quarter of the tag dirty or torn.
	png, err := qrcode.Encode(p.jobURL(c, id), qrcode.High, qrSize)
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, "image/png", png)
}
