package shop_test

import (
	"bytes"
	"strconv"
	"testing"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/learning"
	"nextprobe/internal/shop"
)

// taught is a shop whose six jobs moved the prior of a punctured tyre from 0.03 to
// (20·0.03+6)/26 = 0.25, which waits for the owner.
func taught(t *testing.T) *house {
	t.Helper()
	h := setup(t)
	h.teach(6, "tyre_puncture")
	if n := h.number("tyre_puncture"); n.Status != learning.Waiting {
		t.Fatalf("%+v", n.Number)
	}
	return h
}

// teach closes so many jobs with a cause, and judges them.
func (h *house) teach(jobs int, cause string) {
	for i := range jobs {
		b, _ := h.board("TAUGHT-" + strconv.Itoa(i))
		h.visit(b, 200, cause)
	}
	h.wait(month)
	h.must(h.LearnDue(h.ctx, h.owner))
}

// edition is the shipped library with 200 punctures in a thousand boards.
func edition(t *testing.T) []byte {
	t.Helper()
	at := bytes.Index(faultlib.Embedded(), []byte("- id: tyre_puncture\n"))
	before, after := faultlib.Embedded()[:at], faultlib.Embedded()[at:]
	out := append(bytes.Clone(before), bytes.Replace(after, []byte("prior_per_1000: 30"), []byte("prior_per_1000: 200"), 1)...)
	if lib, issues := faultlib.Load(out); lib == nil || lib.Cause("tyre_puncture").PriorPer1000 != 200 {
		t.Fatal(issues)
	}
	return out
}

func (h *house) newPrior(serial string) (shop.Diagnosis, float64) {
	b, _ := h.board(serial)
	d := ok[shop.Diagnosis](h.t)(h.Diagnose(h.ctx, h.technician, h.job(b, 110, shop.JobInput{}).ID))
	return d, prior(d, "tyre_puncture")
}

// A number that waits is judged anew with an import, without a new job: against
// 200 in a thousand the same jobs are no large change, and it is used.
func TestImportSettlesWhatWaits(t *testing.T) {
	h := taught(t)
	if _, p := h.newPrior("LI-before"); p != 0.03 {
		t.Errorf("while it waits the prior is %v", p)
	}
	_, _, err := h.ImportLibrary(h.ctx, h.owner, edition(t), "as we see it")
	h.must(nil, err)
	n := h.number("tyre_puncture")
	if n.Status != learning.Applied || n.Levels[0].Expert != 0.2 {
		t.Errorf("%+v", n.Number)
	}
	if d, p := h.newPrior("LI-after"); d.LearnedState == nil || p != n.Levels[0].Used {
		t.Errorf("a new job uses %v of state %v, want %v", p, d.LearnedState, n.Levels[0].Used)
	}
}

// A number that was rejected is put to the owner again where the import alone
// moves it notably, and till then the library's new number is used.
func TestImportAsksAgainWhatWasRejected(t *testing.T) {
	h := taught(t)
	h.must(h.DecideLearned(h.ctx, h.owner, "tyre_puncture", false, "That was one summer."))
	if _, p := h.newPrior("LI-before"); p != 0.03 {
		t.Errorf("after it was rejected the prior is %v", p)
	}
	_, _, err := h.ImportLibrary(h.ctx, h.owner, edition(t), "as we see it")
	h.must(nil, err)
	if n := h.number("tyre_puncture"); n.Status != learning.Waiting || n.Levels[0].Used != 0.2 {
		t.Errorf("%+v", n.Number)
	}
	if _, p := h.newPrior("LI-after"); p != 0.2 {
		t.Errorf("a new job uses %v", p)
	}
}

// An edition was stored and the server stopped before what was learned was set
// against it: the next job makes up for it.
func TestJobMakesUpForAnImportCutShort(t *testing.T) {
	h := taught(t)
	h.must(h.DecideLearned(h.ctx, h.owner, "tyre_puncture", true, "Nails on the cycle path."))
	v := shop.LibraryVersion{ID: h.shop.ID, SHA256: "0000", Edition: 4, Current: true, StoredAt: h.tick(), By: "Odile"}
	content := edition(t)
	lib, _ := faultlib.Load(content)
	v.SHA256 = lib.SHA256
	v, err := h.store.SaveLibrary(h.ctx, h.shop.ID, v, content, shop.AuditEvent{ID: v.ID, Action: "library.import", SubjectKind: "library", SubjectID: v.ID, At: v.StoredAt, By: "Odile"})
	if err != nil {
		t.Fatal(err)
	}
	h.Service = shop.New(h.store, shop.Options{Now: h.tick}) // started anew
	d, p := h.newPrior("LI-after")
	if d.LibraryVersion.ID != v.ID || d.LearnedState == nil || p < 0.3 {
		t.Errorf("library %d, state %v, prior %v", d.LibraryVersion.Number, d.LearnedState, p)
	}
}
