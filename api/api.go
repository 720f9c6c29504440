// Package api serves the REST service of nextprobe: openapi.yaml is its
// contract, and a test proves that every route, request and answer keeps to it.
// Handlers translate between JSON and the use cases; what may be done by whom,
// and what is right, is decided there.
package api

import (
	"context"
	_ "embed"
	"net/http"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"
	"go.yaml.in/yaml/v3"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/httpkit"
	"nextprobe/internal/shop"
)

//go:generate go run github.com/oapi-codegen/oapi-codegen/v2/cmd/oapi-codegen@v2.8.2 -config codegen.yaml openapi.yaml

// Contract is the OpenAPI document as it stands in the repository.
//
//go:embed openapi.yaml
var Contract []byte

// Service is the part of the use cases that the REST service needs; *shop.Service is one.
type Service interface {
	ActorByToken(ctx context.Context, secret string) (shop.Actor, error)
	ClaimKey(ctx context.Context, a shop.Actor, key string, fingerprint []byte) (*shop.Replay, error)
	SettleKey(ctx context.Context, a shop.Actor, key string, r *shop.Replay) error
	Shop(ctx context.Context, a shop.Actor) (shop.Shop, error)

	AddBoard(ctx context.Context, a shop.Actor, in shop.BoardInput) (shop.Board, error)
	EditBoard(ctx context.Context, a shop.Actor, id shop.ID, p shop.BoardPatch) (shop.Board, error)
	Boards(ctx context.Context, a shop.Actor, f shop.BoardFilter) (shop.List[shop.Board], error)
	Board(ctx context.Context, a shop.Actor, id shop.ID) (shop.BoardFile, error)
	BoardHistory(ctx context.Context, a shop.Actor, id shop.ID) ([]shop.JobSummary, error)
	AddConnector(ctx context.Context, a shop.Actor, boardID shop.ID, in shop.ConnectorInput) (shop.Connector, error)
	EditConnector(ctx context.Context, a shop.Actor, id shop.ID, p shop.ConnectorPatch) (shop.Connector, error)
	Connector(ctx context.Context, a shop.Actor, id shop.ID) (shop.Connector, error)
	Customers(ctx context.Context, a shop.Actor, query string) ([]shop.Customer, error)

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
	Jobs(ctx context.Context, a shop.Actor, f shop.JobFilter) (shop.List[shop.JobSummary], error)
	Job(ctx context.Context, a shop.Actor, id shop.ID) (shop.JobFile, error)
	EditJob(ctx context.Context, a shop.Actor, id shop.ID, p shop.JobPatch) (shop.Job, error)
	MoveJob(ctx context.Context, a shop.Actor, id shop.ID, to shop.State, reason string) (shop.Job, error)
	Audit(ctx context.Context, a shop.Actor, subjectID shop.ID, p shop.Page) (shop.List[shop.AuditEvent], error)

	Observe(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.ObservationInput) (shop.Observation, error)
	Retract(ctx context.Context, a shop.Actor, jobID, observationID shop.ID) error
	Access(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.AccessInput) (shop.JobFile, error)
	Evaluate(ctx context.Context, a shop.Actor, measurement string, in shop.EvaluateInput) (shop.Evaluation, error)
	Diagnose(ctx context.Context, a shop.Actor, jobID shop.ID) (shop.Diagnosis, error)

	ConfirmFault(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.FaultInput) (shop.Fault, error)
	WaiveFault(ctx context.Context, a shop.Actor, jobID, faultID shop.ID, reason string) (shop.Fault, error)
	Repair(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.RepairInput) (shop.Repair, error)
	Verify(ctx context.Context, a shop.Actor, jobID shop.ID, in shop.VerificationInput) (shop.Verification, error)
	Requirements(ctx context.Context, a shop.Actor, jobID shop.ID) (shop.Requirements, error)

	Library(ctx context.Context, a shop.Actor) (*faultlib.Library, shop.LibraryVersion, error)
	Libraries(ctx context.Context, a shop.Actor) ([]shop.LibraryVersion, error)
	ImportLibrary(ctx context.Context, a shop.Actor, content []byte, note string) (shop.LibraryVersion, []faultlib.Issue, error)
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

// Options set the REST service up.
type Options struct {
	// Ready tells whether requests can be served: the database's Ping. Required.
	Ready func(ctx context.Context) error
	// Metrics are the counters shown at /metrics; nil leaves that address out.
	Metrics *httpkit.Metrics
	// MaxBody bounds a JSON body in bytes; 0 means 1 MiB.
	MaxBody int64
	// TokenTTL is how long a token's actor is remembered, and so how late a
	// revocation may take effect; 0 means 5 s, below 0 never remembered.
	TokenTTL time.Duration
	// Now is the clock for windows that end today; nil means time.Now.
	Now func() time.Time
}

// Sizes of bodies, in bytes.
const (
	defaultMaxBody = 1 << 20
	libraryMaxBody = 8 << 20
)

const base = "/api/v1"

// handlers holds what every handler needs.
type handlers struct {
	svc      Service
	opt      Options
	contract []byte // as JSON
}

// Register adds the REST service to e, which httpkit.Setup has prepared. It
// returns an error when the embedded contract is not readable.
func Register(e *echo.Echo, svc Service, opt Options) error {
	if opt.MaxBody == 0 {
		opt.MaxBody = defaultMaxBody
	}
	if opt.TokenTTL == 0 {
		opt.TokenTTL = 5 * time.Second
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	contract, err := contractJSON()
	if err != nil {
		return err
	}
	h := &handlers{svc: svc, opt: opt, contract: contract}

	e.GET("/api/openapi.json", h.getContract)
	e.GET("/healthz", h.getHealth)
	e.GET("/readyz", h.getReadiness)
	if opt.Metrics != nil {
		e.GET("/metrics", echo.WrapHandler(opt.Metrics.Handler()))
	}

	auth := bearer(svc, opt.TokenTTL)
	replay := idempotent(svc)
	for _, r := range h.routes() {
		limit := opt.MaxBody
		if r.maxBody > limit {
			limit = r.maxBody
		}
		// Middleware is given to every route itself: a group's would also catch
		// addresses that belong to the pages.
		chain := []echo.MiddlewareFunc{private, auth, httpkit.LimitBody(limit)}
		if r.method == http.MethodPost {
			chain = append(chain, replay)
		}
		e.Add(r.method, base+r.path, r.handle, chain...)
	}
	return nil
}

type route struct {
	method, path string
	handle       echo.HandlerFunc
	maxBody      int64 // 0: the usual one
}

func (h *handlers) routes() []route {
	const get, post, patch, del = http.MethodGet, http.MethodPost, http.MethodPatch, http.MethodDelete
	return []route{
		{get, "/shop", h.getShop, 0},
		{get, "/customers", h.listCustomers, 0},

		{post, "/boards", h.addBoard, 0},
		{get, "/boards", h.listBoards, 0},
		{get, "/boards/:id", h.getBoard, 0},
		{patch, "/boards/:id", h.editBoard, 0},
		{get, "/boards/:id/history", h.getBoardHistory, 0},
		{post, "/boards/:id/connectors", h.addConnector, 0},
		{get, "/connectors/:id", h.getConnector, 0},
		{patch, "/connectors/:id", h.editConnector, 0},

		{post, "/jobs", h.openJob, 0},
		{get, "/jobs", h.listJobs, 0},
		{get, "/jobs/:id", h.getJob, 0},
		{patch, "/jobs/:id", h.editJob, 0},
		{post, "/jobs/:id/state", h.moveJob, 0},
		{get, "/jobs/:id/log", h.getJobLog, 0},

		{get, "/jobs/:id/diagnosis", h.getDiagnosis, 0},
		{post, "/jobs/:id/observations", h.addObservation, 0},
		{del, "/jobs/:id/observations/:oid", h.retractObservation, 0},
		{post, "/jobs/:id/access", h.setAccess, 0},

		{post, "/jobs/:id/faults", h.confirmFault, 0},
		{post, "/jobs/:id/faults/:fid/waive", h.waiveFault, 0},
		{post, "/jobs/:id/repairs", h.addRepair, 0},
		{post, "/jobs/:id/verifications", h.addVerification, 0},
		{get, "/jobs/:id/requirements", h.getRequirements, 0},

		{post, "/parts", h.addPart, 0},
		{get, "/parts", h.listParts, 0},
		{get, "/parts/:id", h.getPart, 0},
		{patch, "/parts/:id", h.editPart, 0},
		{post, "/parts/:id/movements", h.addMovement, 0},
		{get, "/parts/:id/movements", h.listMovements, 0},

		{post, "/instruments", h.addInstrument, 0},
		{get, "/instruments", h.listInstruments, 0},
		{get, "/instruments/:id", h.getInstrument, 0},
		{patch, "/instruments/:id", h.editInstrument, 0},

		{get, "/recurrence", h.getRecurrence, 0},
		{get, "/recurrence/filters", h.getRecurrenceFilters, 0},
		{get, "/recurrence/:group/:key", h.getRecurrenceDetail, 0},
		{get, "/recurrence/alerts", h.listAlerts, 0},
		{post, "/recurrence/alerts/:id/set_aside", h.setAlertAside, 0},

		{get, "/learning", h.getLearning, 0},
		{post, "/learning/rebuild", h.rebuildLearning, 0},
		{post, "/learning/:subject/accept", h.acceptLearned, 0},
		{post, "/learning/:subject/reject", h.rejectLearned, 0},
		{get, "/calibration", h.getCalibration, 0},

		{get, "/library", h.getLibrary, 0},
		{get, "/library/causes", h.listCauses, 0},
		{get, "/library/symptoms", h.listSymptoms, 0},
		{get, "/library/measurements", h.listMeasurements, 0},
		{get, "/library/openings", h.listOpenings, 0},
		{get, "/library/tree", h.getLibraryTree, 0},
		{get, "/library/testability", h.getLibraryTestability, 0},
		{get, "/library/versions", h.listLibraryVersions, 0},
		{post, "/library/versions", h.importLibrary, libraryMaxBody},

		{post, "/measurements/:id/evaluate", h.evaluateMeasurement, 0},
	}
}

// contractJSON translates the contract, which is kept in YAML to be read by people.
func contractJSON() ([]byte, error) {
	var doc any
	if err := yaml.Unmarshal(Contract, &doc); err != nil {
		return nil, err
	}
	return json.Marshal(doc, json.Deterministic(true))
}

// private keeps answers out of caches: they hold customers' data.
func private(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set(echo.HeaderCacheControl, "no-store")
		h.Set(echo.HeaderContentSecurityPolicy, "default-src 'none'; frame-ancestors 'none'")
		return next(c)
	}
}
