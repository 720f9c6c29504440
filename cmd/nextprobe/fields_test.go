package main

import (
	"fmt"
	"testing"

	"nextprobe/internal/shop"
)

// covered lists the fields of the page that something else lies on when they have
// the focus. A field is tapped where the bar of a form's buttons may stand, at the
// screen's lower end; what is no text field is reached as by the keyboard, which
// scrolls. Both leave the page where a phone shows its keyboard beneath.
const covered = `(() => {
	const out = [];
	const free = (el, how) => {
		const r = el.getBoundingClientRect();
		for (const [x, y] of [[r.left + r.width / 2, r.top + r.height / 2], [r.left + 4, r.top + 4], [r.right - 4, r.bottom - 4]]) {
			const at = document.elementFromPoint(x, y);
			if (at !== el && !(el.closest("label") || el).contains(at)) { out.push(how + " " + el.id + " " + el.name + " lies under <" + at?.tagName + " class=" + at?.className + ">"); return; }
		}
	};
	document.querySelectorAll("details").forEach(d => d.open = true);
	const fields = [...document.querySelectorAll("main :is(input:not([type=hidden]), select, textarea)")].filter(f => f.getClientRects().length && !f.closest(".vh"));
	for (const f of fields) {
		const r = f.getBoundingClientRect();
		if (!/^(radio|checkbox)$/.test(f.type)) {
			scrollTo(0, scrollY + r.bottom - innerHeight);
			f.focus({preventScroll: true});
			free(f, "tapped");
			f.blur();
		}
		scrollTo(0, 0);
		f.focus();
		free(f, "focused");
		f.blur();
	}
	return fields.length + " fields" + out.map(s => "\n" + s).join("");
})()`

// TestNoFieldIsCovered goes through every field of the bench and the forms at a
// phone's size: nothing may stand on the one that is being filled in.
func TestNoFieldIsCovered(t *testing.T) {
	t.Parallel()
	w := newSite(t)
	b := newBrowser(t, w.url, 390, 844)
	signIn(b)
	job, err := w.svc.OpenJob(t.Context(), w.owner, shop.JobInput{BoardID: w.board.ID, Complaint: "Cells drift apart."})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.svc.MoveJob(t.Context(), w.owner, job.ID, shop.Diagnosing, ""); err != nil {
		t.Fatal(err)
	}
	bench := "/jobs/" + job.ID.String()
	for path, fields := range map[string]int{
		bench + "?m=balance_tap_order": 24, "/calculator/cell_group_delta": 1, "/intake?board=" + w.board.ID.String(): 60,
		"/boards/new": 10, "/parts/new": 8, "/instruments/new": 10,
	} {
		b.visit(path)
		got := b.eval(covered)
		n := 0
		if _, err := fmt.Sscanf(got, "%d fields", &n); err != nil || n < fields {
			t.Errorf("%s: %d fields, want %d or more", path, n, fields)
		}
		if rest := got[len(fmt.Sprintf("%d fields", n)):]; rest != "" {
			t.Errorf("%s:%s", path, rest)
		}
	}
	b.clean()
}
