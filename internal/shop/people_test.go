package shop_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func TestSignIn(t *testing.T) {
	h := setup(t)
	for _, tc := range []struct{ login, name, role, password, field string }{
		{"", "A", "owner", "long enough pw", "login"},
		{"a", "", "owner", "long enough pw", "name"},
		{"a", "A", "boss", "long enough pw", "role"},
		{"a", "A", "owner", "short", "password"},
	} {
		_, err := h.AddUser(h.ctx, h.owner, tc.login, tc.name, shop.Role(tc.role), tc.password)
		refused(t, err, problem.Invalid, tc.field)
	}
	u := ok[shop.User](t)(h.AddUser(h.ctx, h.owner, "tessa", "Tessa Invented", shop.Technician, "copper-whistle"))
	if strings.Contains(u.PasswordHash, "copper") || !strings.HasPrefix(u.PasswordHash, "$argon2id$") {
		t.Errorf("the password is kept as %s", u.PasswordHash)
	}
	a := ok[shop.Actor](t)(h.SignIn(h.ctx, h.shop.ID, " Tessa ", "copper-whistle"))
	if a.Role != shop.Technician || a.ID != u.ID || a.ShopID != h.shop.ID {
		t.Errorf("%+v", a)
	}
	var messages []string
	for _, try := range [][2]string{{"tessa", "wrong password"}, {"nobody", "wrong password"}, {"no\x00body", "wrong password"}} {
		_, err := h.SignIn(h.ctx, h.shop.ID, try[0], try[1])
		refused(t, err, problem.Unauthorized, "")
		messages = append(messages, err.Error())
	}
	if messages[0] != messages[1] || messages[1] != messages[2] {
		t.Errorf("the errors tell which was wrong: %q", messages)
	}
	h.must(nil, h.SetPassword(h.ctx, h.owner, "tessa", "another-whistle"))
	h.must(h.SignIn(h.ctx, h.shop.ID, "tessa", "another-whistle"))
	h.must(h.Actor(h.ctx, h.shop.ID, u.ID))
	if users := ok[[]shop.User](t)(h.Users(h.ctx, h.owner)); len(users) != 1 || users[0].Login != "tessa" || users[0].PasswordHash != "" {
		t.Errorf("%+v, want the user without the hash", users)
	}
	h.must(nil, h.DisableUser(h.ctx, h.owner, "tessa"))
	_, err := h.SignIn(h.ctx, h.shop.ID, "tessa", "another-whistle")
	refused(t, err, problem.Unauthorized, "")
	_, err = h.Actor(h.ctx, h.shop.ID, u.ID)
	refused(t, err, problem.Unauthorized, "")
	refused(t, h.DisableUser(h.ctx, h.owner, "nobody"), problem.NotFound, "")
}

func TestSignInIsLimited(t *testing.T) {
	h := setup(t)
	h.must(h.AddUser(h.ctx, h.owner, "tessa", "Tessa", shop.Technician, "copper-whistle"))
	limited := false
	for range 12 {
		_, err := h.SignIn(h.ctx, h.shop.ID, "tessa", "guess")
		limited = limited || problem.Is(err, problem.TooMany)
	}
	if !limited {
		t.Fatal("twelve guesses were let through")
	}
	_, err := h.SignIn(h.ctx, h.shop.ID, "tessa", "copper-whistle")
	refused(t, err, problem.TooMany, "")
	h.wait(time.Hour)
	h.must(h.SignIn(h.ctx, h.shop.ID, "tessa", "copper-whistle"))
}

func TestTokens(t *testing.T) {
	h := setup(t)
	tok, secret, err := h.AddToken(h.ctx, h.owner, "scanner", shop.Counter)
	h.must(tok, err)
	_, other, err := h.AddToken(h.ctx, h.owner, "report", shop.Owner)
	if err != nil || secret == other || len(secret) < 43 {
		t.Errorf("%q, %q, %v", secret, other, err)
	}
	a := ok[shop.Actor](t)(h.ActorByToken(h.ctx, secret))
	if a.Role != shop.Counter || a.ShopID != h.shop.ID || a.ID != tok.ID {
		t.Errorf("%+v", a)
	}
	for _, s := range []string{"", "npt_", secret + "x", strings.TrimPrefix(secret, "npt_")} {
		_, err := h.ActorByToken(h.ctx, s)
		refused(t, err, problem.Unauthorized, "")
	}
	h.must(nil, h.RevokeToken(h.ctx, h.owner, "scanner"))
	_, err = h.ActorByToken(h.ctx, secret)
	refused(t, err, problem.Unauthorized, "")
	refused(t, h.RevokeToken(h.ctx, h.owner, "scanner"), problem.NotFound, "")
}

func TestLibraryVersions(t *testing.T) {
	h := setup(t)
	b, _ := h.board("LI-1")
	job := h.job(b, 120, shop.JobInput{})
	_, first, err := h.Library(h.ctx, h.counter)
	if err != nil || first.Number != 1 || !first.Current {
		t.Fatalf("%+v, %v", first, err)
	}
	again := ok[shop.Shop](t)(h.Setup(h.ctx, "test", "Another name"))
	if again.ID != h.shop.ID || len(ok[[]shop.LibraryVersion](t)(h.Libraries(h.ctx, h.owner))) != 1 {
		t.Errorf("a second setup made something new: %+v", again)
	}
	broken := bytes.Replace(faultlib.Embedded(), []byte("prior_per_1000: 38"), []byte("prior_per_1000: 38000"), 1)
	_, issues, err := h.ImportLibrary(h.ctx, h.owner, broken, "")
	e := problem.As(err)
	if e == nil || e.Code != problem.Invalid || len(e.Fields) == 0 || len(issues) == 0 || !strings.Contains(e.Fields[0].Field, ":") {
		t.Fatalf("%v, %d issues: want every error at its line and column", err, len(issues))
	}
	_, _, err = h.ImportLibrary(h.ctx, h.owner, []byte("not a library"), "")
	refused(t, err, problem.Invalid, "")
	changed := bytes.Replace(faultlib.Embedded(), []byte("prior_per_1000: 38"), []byte("prior_per_1000: 39"), 1)
	second, _, err := h.ImportLibrary(h.ctx, h.owner, changed, "more bearings")
	if err != nil || second.Number != 2 || !second.Current {
		t.Fatalf("%+v, %v", second, err)
	}
	lib, now, err := h.Library(h.ctx, h.counter)
	if err != nil || now.ID != second.ID || lib.Cause("bearing_worn").PriorPer1000 != 39 {
		t.Errorf("current is %+v, %v", now, err)
	}
	d := ok[shop.Diagnosis](t)(h.Diagnose(h.ctx, h.technician, job.ID))
	if d.LibraryVersion.ID != first.ID {
		t.Errorf("the open job's diagnosis uses version %d, want the one it began with", d.LibraryVersion.Number)
	}
	lib, v, err := h.LibraryOf(h.ctx, h.counter, job.LibraryID)
	if err != nil || v.Number != 1 || v.Current || lib.Cause("bearing_worn").PriorPer1000 != 38 {
		t.Errorf("the job's library is %+v, %v", v, err)
	}
}

func TestBoardsAndConnectors(t *testing.T) {
	h := setup(t)
	_, err := h.AddBoard(h.ctx, h.counter, shop.BoardInput{SeriesCells: ptr(61), ParallelCells: ptr(0), Chemistry: "lead", OdometerKM: ptr(-1.0),
		Facts: map[string]string{"motor_plug": "somewhere", "colour": "red"}, Firmware: strings.Repeat("x", 81), Owner: &shop.OwnerInput{}})
	for _, field := range []string{"serial", "series_cells", "parallel_cells", "chemistry", "odometer_km", "facts.motor_plug", "facts.colour", "firmware", "owner.name"} {
		refused(t, err, problem.Invalid, field)
	}
	b, k := h.board("BO-1")
	if b.Owner == nil || b.Owner.Name != "Ida Invented" {
		t.Fatalf("%+v", b)
	}
	_, err = h.AddBoard(h.ctx, h.counter, shop.BoardInput{Serial: "bo-1 "})
	refused(t, err, problem.Conflict, "serial")
	two := ok[shop.Board](t)(h.AddBoard(h.ctx, h.counter, shop.BoardInput{Serial: "BO-2", Owner: &shop.OwnerInput{ID: &b.Owner.ID}}))
	if two.Owner == nil || two.Owner.Name != "Ida Invented" {
		t.Errorf("an owner by id: %+v", two.Owner)
	}
	got := ok[shop.Board](t)(h.EditBoard(h.ctx, h.counter, b.ID, shop.BoardPatch{Version: b.Version, Firmware: shop.Change[string]{Set: true, Value: " 2.1 "}}))
	if got.Firmware != "2.1" || got.Make != b.Make || got.Owner == nil {
		t.Errorf("%+v", got)
	}
	_, err = h.EditBoard(h.ctx, h.counter, b.ID, shop.BoardPatch{Version: b.Version})
	refused(t, err, problem.Stale, "")
	_, err = h.AddConnector(h.ctx, h.counter, b.ID, shop.ConnectorInput{Component: "flux_gate", Poles: ptr(0), Polarity: "sideways"})
	for _, field := range []string{"place", "component", "poles", "polarity"} {
		refused(t, err, problem.Invalid, field)
	}
	_, err = h.EditConnector(h.ctx, h.counter, k.ID, shop.ConnectorPatch{RemovedAt: shop.Change[*time.Time]{Set: true, Value: ptr(k.FittedAt.Add(-time.Hour))}})
	refused(t, err, problem.Invalid, "removed_at")
	e := ok[shop.Connector](t)(h.EditConnector(h.ctx, h.counter, k.ID, shop.ConnectorPatch{Family: shop.Change[string]{Set: true, Value: "Larch-90"}}))
	if e.Family != "Larch-90" || e.Place != k.Place {
		t.Errorf("%+v", e)
	}
	if f := ok[shop.BoardFile](t)(h.Board(h.ctx, h.counter, b.ID)); len(f.Connectors) != 1 || f.OpenJob != nil {
		t.Errorf("%+v", f)
	}
	if _, err := h.Board(h.ctx, h.counter, h.shop.ID); !problem.Is(err, problem.NotFound) {
		t.Errorf("an unknown board: %v", err)
	}
}

func TestEvaluate(t *testing.T) {
	h := setup(t)
	in := shop.EvaluateInput{Readings: map[string]any{"t_box_c": 61.0, "t_amb_c": 21.0, "t_box10_c": 61.0}}
	e := ok[shop.Evaluation](t)(h.Evaluate(h.ctx, h.counter, "pack_heat_triage", in))
	if e.Outcome != "hot" || e.Normal || e.Meaning == "" || e.Text == "" || len(e.Likelihood) != 4 || len(e.Values) == 0 {
		t.Errorf("%+v", e)
	}
	_, err := h.Evaluate(h.ctx, h.counter, "gone", in)
	refused(t, err, problem.NotFound, "")
	_, err = h.Evaluate(h.ctx, h.counter, "pack_heat_triage", shop.EvaluateInput{Readings: map[string]any{"nonsense": 1.0}})
	refused(t, err, problem.Invalid, "readings.nonsense")
	b, _ := h.board("EV-1")
	job := h.job(b, 120, shop.JobInput{})
	e = ok[shop.Evaluation](t)(h.EvaluateFor(h.ctx, h.counter, job.ID, "pack_heat_triage", shop.EvaluateInput{Readings: in.Readings}))
	if e.Outcome != "hot" {
		t.Errorf("%+v", e)
	}
	if f := ok[shop.JobFile](t)(h.Job(h.ctx, h.counter, job.ID)); len(f.Observations) != 0 {
		t.Error("evaluating recorded something")
	}
}
