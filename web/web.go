// Package web serves the shop's pages: rendered on the server, readable on a
// phone at the bench and at a desk, and working without scripts. It talks to
// the use cases only and knows neither SQL nor the REST answers.
package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
	"golang.org/x/time/rate"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// Service is the part of the use cases that the pages need; *shop.Service is one.
type Service interface {
	Shop(ctx context.Context, a shop.Actor) (shop.Shop, error)
	EditShop(ctx context.Context, a shop.Actor, name string, labourMinor int64, warrantyDays int) (shop.Shop, error)

	SignIn(ctx context.Context, shopID shop.ID, login, password string) (shop.Actor, error)
	Actor(ctx context.Context, shopID, userID shop.ID) (shop.Actor, error)
	Users(ctx context.Context, a shop.Actor) ([]shop.User, error)
	AddUser(ctx context.Context, a shop.Actor, login, name string, role shop.Role, password string) (shop.User, error)
	SetPassword(ctx context.Context, a shop.Actor, login, password string) error
	DisableUser(ctx context.Context, a shop.Actor, login string) error
	AddToken(ctx context.Context, a shop.Actor, name string, role shop.Role) (shop.Token, string, error)
	RevokeToken(ctx context.Context, a shop.Actor, name string) error
	Tokens(ctx context.Context, a shop.Actor) ([]shop.Token, error)

	AddBoard(ctx context.Context, a shop.Actor, in shop.BoardInput) (shop.Board, error)
	EditBoard(ctx context.Context, a shop.Actor, id shop.ID, p shop.BoardPatch) (shop.Board, error)
	Boards(ctx context.Context, a shop.Actor, f shop.BoardFilter) (shop.List[shop.Board], error)
	Board(ctx context.Context, a shop.Actor, id shop.ID) (shop.BoardFile, error)
	BoardHistory(ctx context.Context, a shop.Actor, id shop.ID) ([]shop.JobSummary, error)
	AddConnector(ctx context.Context, a shop.Actor, boardID shop.ID, in shop.ConnectorInput) (shop.Connector, error)
	EditConnector(ctx context.Context, a shop.Actor, id shop.ID, p shop.ConnectorPatch) (shop.Connector, error)
	Connector(ctx context.Context, a shop.Actor, id shop.ID) (shop.Connector, error)

	AddPart(ctx context.Context, a shop.Actor, in shop.PartInput) (shop.Part, error)
	EditPart(ctx context.Context, a shop.Actor, id shop.ID, p shop.PartPatch) (shop.Part, error)
	Parts(ctx context.Context, a shop.Actor, f shop.PartFilter) (shop.List[shop.Part], error)
	Part(ctx context.Context, a shop.Actor, id shop.ID) (shop.Part, error)
	Movements(ctx context.Context, a shop.Actor, partID shop.ID, p shop.Page) (shop.List[shop.Movement], error)
	Move(ctx context.Context, a shop.Actor, partID shop.ID, in shop.MovementInput) (shop.Movement, error)

	AddInstrument(ctx context.Context, a shop.Actor, in shop.InstrumentInput) (shop.Instrument, error)
	EditInstrument(ctx context.Context, a shop.Actor, id shop.ID, p shop.InstrumentPatch) (shop.Instrument, error)
	Instruments(ctx context.Context, a shop.Actor) ([]shop.Instrument, error)
	Instrument(ctx context.Context, a shop.Actor, id shop.ID) (shop.Instrument, error)

	OpenJob(ctx context.Context, a shop.Actor, in shop.JobInput) (shop.Job, error)
	EarlierJob(ctx context.Context, a shop.Actor, boardID shop.ID) (*shop.EarlierJob, error)
	Jobs(ctx context.Context, a shop.Actor, f shop.JobFilter) (shop.List[shop.JobSummary], error)
	JobCounts(ctx context.Context, a shop.Actor) (map[shop.State]int, error)
	Job(ctx context.Context, a shop.Actor, id shop.ID) (shop.JobFile, error)
	JobByNumber(ctx context.Context, a shop.Actor, number int) (shop.ID, error)
	EditJob(ctx context.Context, a shop.Actor, id shop.ID, p shop.JobPatch) (shop.Job, error)
	MoveJob(ctx context.Context, a shop.Actor, id shop.ID, to shop.State, reason string) (shop.Job, error)
	Audit(ctx context.Context, a shop.Actor, subjectID shop.ID, p shop.Page) (shop.List[shop.AuditEvent], error)

	Observe(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.ObservationInput) (shop.Observation, error)
	Retract(ctx context.Context, a shop.Actor, jobID, observationID shop.ID) error
	Access(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.AccessInput) (shop.JobFile, error)
	Evaluate(ctx context.Context, a shop.Actor, measurement string, in shop.EvaluateInput) (shop.Evaluation, error)
	EvaluateFor(ctx context.Context, a shop.Actor, jobID shop.ID, measurement string, in shop.EvaluateInput) (shop.Evaluation, error)
	DiagnoseFile(ctx context.Context, a shop.Actor, f shop.JobFile) (shop.Diagnosis, error)
	DiagnoseFileFor(ctx context.Context, a shop.Actor, f shop.JobFile, cause string) (shop.Diagnosis, error)

	ConfirmFault(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.FaultInput) (shop.Fault, error)
	WaiveFault(ctx context.Context, a shop.Actor, jobID, faultID shop.ID, reason string) (shop.Fault, error)
	Repair(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.RepairInput) (shop.Repair, error)
	Verify(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.VerificationInput) (shop.Verification, error)
	RequirementsOf(ctx context.Context, a shop.Actor, f shop.JobFile) (shop.Requirements, error)

	Library(ctx context.Context, a shop.Actor) (*faultlib.Library, shop.LibraryVersion, error)
	LibraryOf(ctx context.Context, a shop.Actor, id shop.ID) (*faultlib.Library, shop.LibraryVersion, error)
	Libraries(ctx context.Context, a shop.Actor) ([]shop.LibraryVersion, error)
	ImportLibrary(ctx context.Context, a shop.Actor, content []byte, note string) (shop.LibraryVersion, []faultlib.Issue, error)

	TryMeasurement(ctx context.Context, a shop.Actor, in shop.OwnMeasurementInput) (shop.MeasurementTrial, error)
	SaveMeasurement(ctx context.Context, a shop.Actor, in shop.OwnMeasurementInput) (shop.LibraryVersion, error)
	RemoveOwnMeasurement(ctx context.Context, a shop.Actor, id string, base shop.ID) (shop.LibraryVersion, error)
	LibraryTree(ctx context.Context, a shop.Actor, in shop.TreeInput) (shop.Tree, error)
	LibraryTestability(ctx context.Context, a shop.Actor) (shop.Testability, error)

	Recurrence(ctx context.Context, a shop.Actor, q shop.RecurrenceQuery, exposure string) (shop.Recurrence, error)
	RecurrenceDetail(ctx context.Context, a shop.Actor, q shop.RecurrenceQuery, exposure, key string) (shop.RecurrenceDetail, error)
	Alerts(ctx context.Context, a shop.Actor) (shop.Alerts, error)
	SetAlertAside(ctx context.Context, a shop.Actor, id shop.ID, reason string) (shop.RecurrenceAlert, error)
	BoardAlerts(ctx context.Context, a shop.Actor, boardID shop.ID) ([]shop.BoardAlert, error)
	RecurrenceChoices(ctx context.Context, a shop.Actor) (shop.RecurrenceChoices, error)

	Learned(ctx context.Context, a shop.Actor) (shop.LearnedView, error)
	Calibration(ctx context.Context, a shop.Actor) (shop.CalibrationView, error)
	DecideLearned(ctx context.Context, a shop.Actor, subject string, accept bool, reason string) (shop.LearningDecision, error)
	RebuildLearning(ctx context.Context, a shop.Actor) (shop.LearningRebuild, error)
}

// Options set the pages up.
type Options struct {
	// ShopID is the shop whose people sign in here.
	ShopID shop.ID
	// BaseURL is the address printed in QR codes, e.g. https://bench.example;
	// empty means the address the browser used.
	BaseURL string
	// Secure marks the cookies as for TLS only.
	Secure bool
	// Now is the clock for waiting times; nil means time.Now.
	Now func() time.Time
}

// Pages holds what every handler needs.
type Pages struct {
	svc      Service
	sessions *scs.SessionManager
	opt      Options
	assets   *assets
	views    *views
}

// maxForm bounds a posted form; a fault library is the largest thing sent.
const maxForm = "8M"

// contentPolicy lets a page use nothing but this server: no inline script or
// style, no framing, forms only to ourselves.
const contentPolicy = "default-src 'self'; frame-ancestors 'none'; form-action 'self'; base-uri 'none'; object-src 'none'"

// Register adds the pages to e. The sessions' cookie is set up here; their
// store and lifetime are the caller's.
func Register(e *echo.Echo, svc Service, sessions *scs.SessionManager, opt Options) *Pages {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	sessions.Cookie.Name = "nextprobe_session"
	sessions.Cookie.HttpOnly = true
	sessions.Cookie.SameSite = http.SameSiteLaxMode
	sessions.Cookie.Secure = opt.Secure
	sessions.Cookie.Path = "/"

	a := newAssets()
	p := &Pages{svc: svc, sessions: sessions, opt: opt, assets: a, views: newViews(a)}
	e.GET("/static/:name", a.serve)

	// Every page carries its middleware itself: a group's would also catch
	// addresses that belong to the REST service.
	chain := []echo.MiddlewareFunc{
		securityHeaders,
		middleware.BodyLimit(maxForm),
		echo.WrapMiddleware(sessions.LoadAndSave),
		middleware.CSRFWithConfig(middleware.CSRFConfig{ //nolint:gosec // The names of a field, a header and a cookie are no secrets.
			TokenLookup: "form:_csrf,header:X-CSRF-Token", CookieName: "nextprobe_csrf", CookiePath: "/",
			CookieSecure: opt.Secure, CookieHTTPOnly: true, CookieSameSite: http.SameSiteLaxMode,
			ErrorHandler: func(error, echo.Context) error {
				return problem.New(problem.Forbidden, "This form was open too long or did not come from these pages. Go back, reload the page and send it again.")
			},
		}),
	}
	attempts := middleware.RateLimiterWithConfig(middleware.RateLimiterConfig{
		Store: middleware.NewRateLimiterMemoryStoreWithConfig(middleware.RateLimiterMemoryStoreConfig{Rate: rate.Every(5 * time.Second), Burst: 20, ExpiresIn: 10 * time.Minute}),
		DenyHandler: func(echo.Context, string, error) error {
			return problem.New(problem.TooMany, "Too many sign-in attempts from this address. Wait a minute and try again.")
		},
	})
	e.GET("/sign-in", p.signInPage, chain...)
	e.POST("/sign-in", p.signIn, append(slices.Clone(chain), attempts)...)

	inside := append(slices.Clone(chain), p.requireActor)
	for _, r := range p.routes() {
		e.Add(r.method, r.path, r.handle, inside...)
	}
	return p
}

type route struct {
	method, path string
	handle       echo.HandlerFunc
}

func (p *Pages) routes() []route {
	const get, post = http.MethodGet, http.MethodPost
	return []route{
		{post, "/sign-out", p.signOut},
		{get, "/", p.jobsPage},
		{get, "/find", p.find},
		{post, "/alerts/:id/set-aside", p.setAlertAside},

		{get, "/intake", p.intakePage},
		{get, "/intake/boards", p.intakeBoards},
		{post, "/intake", p.intake},

		{get, "/jobs/:id", p.benchPage},
		{get, "/jobs/:id/tag", p.tagPage},
		{get, "/jobs/:id/qr.png", p.qrCode},
		{post, "/jobs/:id/evaluate", p.evaluate},
		{post, "/jobs/:id/fields", p.readingsAgain},
		{post, "/jobs/:id/observations", p.observe},
		{post, "/jobs/:id/observations/:oid/retract", p.retract},
		{post, "/jobs/:id/access", p.access},
		{post, "/jobs/:id/faults", p.confirmFault},
		{post, "/jobs/:id/faults/:fid/waive", p.waiveFault},
		{post, "/jobs/:id/repairs", p.repair},
		{post, "/jobs/:id/verifications", p.verify},
		{post, "/jobs/:id/state", p.moveJob},
		{post, "/jobs/:id/edit", p.editJob},

		{get, "/boards", p.boardsPage},
		{get, "/boards/new", p.newBoardPage},
		{post, "/boards/new", p.addBoard},
		{get, "/boards/:id", p.boardPage},
		{get, "/boards/:id/edit", p.editBoardPage},
		{post, "/boards/:id/edit", p.editBoard},
		{get, "/boards/:id/connectors/new", p.newConnectorPage},
		{post, "/boards/:id/connectors/new", p.addConnector},
		{get, "/connectors/:id/edit", p.editConnectorPage},
		{post, "/connectors/:id/edit", p.editConnector},

		{get, "/parts", p.partsPage},
		{get, "/parts/new", p.newPartPage},
		{post, "/parts/new", p.addPart},
		{get, "/parts/:id", p.partPage},
		{post, "/parts/:id/movements", p.move},
		{get, "/parts/:id/edit", p.editPartPage},
		{post, "/parts/:id/edit", p.editPart},

		{get, "/instruments", p.instrumentsPage},
		{get, "/instruments/new", p.newInstrumentPage},
		{post, "/instruments/new", p.addInstrument},
		{get, "/instruments/:id/edit", p.editInstrumentPage},
		{post, "/instruments/:id/edit", p.editInstrument},

		{get, "/calculator", p.calculatorChoice},
		{get, "/calculator/:mid", p.calculatorPage},
		{post, "/calculator/:mid", p.calculatorPage},
		{post, "/calculator/:mid/evaluate", p.calculatorLive},
		{post, "/calculator/:mid/fields", p.calculatorFields},

		{get, "/recurrence", p.recurrencePage},
		{get, "/recurrence/detail", p.recurrenceDetailPage},
		{get, "/recurrence/list.csv", p.recurrenceCSV},
		{get, "/recurrence/detail.csv", p.recurrenceDetailCSV},
		{get, "/recurrence/list.xlsx", p.recurrenceWorkbook},
		{get, "/recurrence/detail.xlsx", p.recurrenceDetailWorkbook},

		{get, "/learning", p.learningPage},
		{post, "/learning/decide", p.decideLearned},
		{post, "/learning/rebuild", p.rebuildLearning},

		{get, "/library", p.libraryPage},
		{get, "/library/measurements/new", p.newMeasurementPage},
		{post, "/library/measurements/new", p.newMeasurement},
		{get, "/library/measurements/:mid", p.measurementPage},
		{get, "/library/measurements/:mid/own", p.changeMeasurementPage},
		{post, "/library/measurements/:mid/own", p.changeMeasurement},
		{post, "/library/measurements/:mid/own/remove", p.removeMeasurement},
		{get, "/library/causes/:cid", p.causePage},
		{get, "/library/tree", p.treePage},
		{get, "/library/testability", p.testabilityPage},

		{get, "/settings", p.settingsPage},
		{post, "/settings/shop", p.editShop},
		{post, "/settings/people", p.addUser},
		{post, "/settings/people/password", p.setPassword},
		{post, "/settings/people/disable", p.disableUser},
		{post, "/settings/tokens", p.addToken},
		{post, "/settings/tokens/revoke", p.revokeToken},
		{post, "/settings/library", p.importLibrary},
	}
}

func securityHeaders(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		return next(c)
	}
}

// pathID reads a UUID from the path; what is not one does not exist.
func pathID(c echo.Context, name string) (shop.ID, error) {
	id, err := uuid.Parse(c.Param(name))
	if err != nil {
		return shop.ID{}, problem.New(problem.NotFound, "There is nothing at this address.")
	}
	return id, nil
}

// hxRequest reports whether the page's script asks for a fragment.
func hxRequest(c echo.Context) bool { return c.Request().Header.Get("HX-Request") == "true" }

// redirect answers a successful POST, so that reloading the page does not send it again.
func redirect(c echo.Context, to string) error { return c.Redirect(http.StatusSeeOther, to) }

// userMistake returns the problem when err is one the person can mend in the
// form; every other error is for the error page.
func userMistake(err error) *problem.Error {
	var pe *problem.Error
	if !errors.As(err, &pe) {
		return nil
	}
	switch pe.Code {
	case problem.Invalid, problem.Conflict, problem.Stale, problem.TooLarge:
		return pe
	}
	return nil
}
