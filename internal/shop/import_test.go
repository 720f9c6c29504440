package shop

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// importRows reads "column=value; column=value" rows, numbered from line 2.
func importRows(kind string, rows ...string) ImportFile {
	f := ImportFile{Kind: kind, Name: kind + ".csv"}
	for i, r := range rows {
		values := map[string]string{}
		for pair := range strings.SplitSeq(r, ";") {
			name, value, _ := strings.Cut(strings.TrimSpace(pair), "=")
			values[name] = value
		}
		f.Rows = append(f.Rows, ImportRow{Line: i + 2, Values: values})
	}
	return f
}

var importNow = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// importLibrary is loaded once: loading runs all of its examples.
var importLibrary = sync.OnceValue(func() *faultlib.Library {
	lib, _ := faultlib.Load(faultlib.Embedded())
	return lib
})

func importer1(t *testing.T, known ImportKnown, files ...ImportFile) *importer {
	t.Helper()
	im := newImporter(importLibrary(), newID(), known, importNow, "Runa")
	im.read(files)
	return im
}

func said(mistakes []importMistake) string {
	out := ""
	for _, m := range mistakes {
		out += fmt.Sprintf("%s: %s\n", m.Field.Field, m.Message)
	}
	return out
}

const (
	importBoard = "reference=B1; serial=NP-1; first_seen_at=2024-03-01; odometer_km=120.5; owner_name=Anwen Copperfen; owner_contact=+00 555"
	importJob   = "reference=J1; board=B1; opened_at=2024-05-01; closed_at=2024-05-03 14:00; complaint=cuts out; cause=interbox_burned; action=cleaned; minutes=20"
)

func TestImportPlan(t *testing.T) {
	t.Parallel()
	have := newID()
	known := ImportKnown{References: map[string]map[string]ImportRecord{"boards": {"B0": {ID: have, BoardID: have}}}, Serials: map[string]ID{"np-0": have}}
	im := importer1(t, known,
		// Files and rows in any order: jobs are read by time.
		importRows("repairs", "reference=R2; fault=F2; action=replaced both halves; at=2024-09-01T10:00:00+02:00"),
		importRows("faults", "reference=F2; job=J2; cause=interbox_burned; at=2024-09-01; connector=C1"),
		importRows("jobs", "reference=J2; board=B1; opened_at=2024-09-01; closed_at=2024-09-01; comeback_of=J1; exposures=rain crash", importJob, "reference=J3; board=np-0; opened_at=2024-06-01; closed_at=2024-06-02; state=scrapped",
			"reference=J4; board=B1; opened_at=2025-06-01; state=repairing"),
		importRows("connectors", "reference=C1; board=B1; place=between the boxes; fitted_at=2024-03-01; family=Larch-60"),
		importRows("boards", "reference=B0; serial=NP-0; first_seen_at=2024-01-01", importBoard, strings.Replace(strings.Replace(importBoard, "B1", "B2", 1), "NP-1", "NP-2", 1)))
	if len(im.mistakes) > 0 {
		t.Fatal(said(im.mistakes))
	}
	want := []ImportCount{{"boards", 2, 1, 0}, {"connectors", 1, 0, 0}, {"jobs", 3, 0, 1}, {"faults", 1, 0, 0}, {"repairs", 1, 0, 0}}
	if fmt.Sprint(im.counts) != fmt.Sprint(want) {
		t.Errorf("counts %+v", im.counts)
	}
	p := im.plan
	if len(p.Boards) != 2 || len(p.Customers) != 1 || p.Boards[0].Owner.ID != p.Boards[1].Owner.ID || *p.Boards[0].OdometerKM != 120.5 || !p.Boards[0].OdometerAt.Equal(time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("boards %+v, customers %+v", p.Boards, p.Customers)
	}
	if len(p.Jobs) != 3 || p.Jobs[0].Complaint != "cuts out" || p.Jobs[1].BoardID != have || p.Jobs[1].State != Scrapped || *p.Jobs[2].ComebackOf != p.Jobs[0].ID || len(p.Jobs[2].Exposures) != 2 {
		t.Errorf("jobs %+v", p.Jobs)
	}
	prior := im.lib.Cause("interbox_burned").PriorPer1000 / 1000
	if len(p.Faults) != 2 || p.Faults[0].Component != "interbox_connector" || p.Faults[0].Probability != prior || !p.Faults[0].At.Equal(p.Jobs[0].OpenedAt) || *p.Faults[1].ConnectorID != p.Connectors[0].ID {
		t.Errorf("faults %+v", p.Faults)
	}
	if len(p.Repairs) != 2 || !p.Repairs[0].At.Equal(time.Date(2024, 5, 3, 14, 0, 0, 0, time.UTC)) || p.Repairs[1].At.Hour() != 8 || p.Repairs[1].JobID != p.Jobs[2].ID {
		t.Errorf("repairs %+v", p.Repairs)
	}
}

// Each mistake is named with its row, its column and what would be right; one mistake
// is not told again by the rows that name the record.
func TestImportMistakes(t *testing.T) {
	t.Parallel()
	change := func(row, from, to string) string {
		if !strings.Contains(row, from) {
			t.Fatalf("%q is not in %q", from, row)
		}
		return strings.Replace(row, from, to, 1)
	}
	have := newID()
	known := ImportKnown{References: map[string]map[string]ImportRecord{"jobs": {"J0": {ID: newID(), BoardID: have}}, "faults": {"F0": {ID: newID()}}}, Serials: map[string]ID{"np-0": have}}
	fault := "reference=F1; job=J2; cause=interbox_burned; at=2024-06-02"
	for _, c := range []struct{ name, kind, row, want string }{
		{"no reference", "boards", change(importBoard, "reference=B1; ", ""), "boards.csv line 4, reference: must not be empty"},
		{"reference twice", "boards", importBoard, `boards.csv line 4, reference: "B1" stands twice, first in boards.csv line 2`},
		{"serial twice", "boards", change(importBoard, "B1", "B9"), `line 4, serial: "NP-1" stands twice, first in boards.csv line 2`},
		{"serial in the shop", "boards", "reference=B9; serial=np-0; first_seen_at=2024-01-01", "in this shop already"},
		{"no date", "boards", "reference=B9; serial=X", "first_seen_at: must not be empty: a date as 2025-03-31"},
		{"not a date", "boards", "reference=B9; serial=X; first_seen_at=31.3.2025", `is "31.3.2025"`},
		{"future", "boards", "reference=B9; serial=X; first_seen_at=2031-01-01", "lies in the future"},
		{"number", "boards", "reference=B9; serial=X; first_seen_at=2024-01-01; odometer_km=far", "must be a number such as 812.5"},
		{"negative", "boards", "reference=B9; serial=X; first_seen_at=2024-01-01; odometer_km=-4", "must be 0 or more"},
		{"odometer time alone", "boards", "reference=B9; serial=X; first_seen_at=2024-01-01; odometer_at=2024-01-01", "odometer_km: must be there"},
		{"cells", "boards", "reference=B9; serial=X; first_seen_at=2024-01-01; series_cells=2.5", "must be a whole number"},
		{"facts", "boards", "reference=B9; serial=X; first_seen_at=2024-01-01; facts=wet", "must be names with texts"},
		{"chemistry", "boards", "reference=B9; serial=X; first_seen_at=2024-01-01; chemistry=lead", "layered_oxide"},
		{"contact alone", "boards", "reference=B9; serial=X; first_seen_at=2024-01-01; owner_contact=bell 4", "owner_name: must not be empty"},
		{"no such board", "connectors", "reference=C9; board=B7; place=here; fitted_at=2024-01-01", `connectors.csv line 3, board: names "B7", which is neither in the file of the boards nor imported before`},
		{"removed before fitted", "connectors", "reference=C9; board=B1; place=here; fitted_at=2024-02-01; removed_at=2024-01-01", "removed_at: lies before fitted_at"},
		{"component", "connectors", "reference=C9; board=B1; place=here; fitted_at=2024-02-01; component=flux", `component: "flux" is no component`},
		{"removed km alone", "installed_parts", "reference=P9; board=B1; part_name=Fan; installed_at=2024-02-01; removed_km=9", "removed_at: must be there"},
		{"part without name", "installed_parts", "reference=P9; board=B1; installed_at=2024-02-01", "part_name: must not be empty"},
		{"state", "jobs", "reference=J9; board=B1; opened_at=2024-06-01; closed_at=2024-06-02; state=lost", "state: must be returned or scrapped"},
		{"closed before opened", "jobs", "reference=J9; board=B1; opened_at=2024-06-03; closed_at=2024-06-02", "closed_at: lies before opened_at"},
		{"cause", "jobs", "reference=J9; board=B1; opened_at=2024-06-01; closed_at=2024-06-02; cause=burned", `"burned" is no cause of the fault library; near it are`},
		{"action without cause", "jobs", "reference=J9; board=B1; opened_at=2024-06-01; closed_at=2024-06-02; action=cleaned", "cause: must name what was confirmed"},
		{"exposure", "jobs", "reference=J9; board=B1; opened_at=2024-06-01; closed_at=2024-06-02; exposures=snow", "exposures[0]: must be"},
		{"comeback of a later job", "jobs", "reference=J9; board=B1; opened_at=2024-04-01; closed_at=2024-06-02; comeback_of=J1", `comeback_of: names "J1", which is no earlier job`},
		{"comeback of another board", "jobs", "reference=J9; board=np-0; opened_at=2024-06-09; closed_at=2024-06-12; comeback_of=J1", "must be an earlier job of the same board"},
		{"fault of a job that is there", "faults", change(fault, "J2", "J0"), `the job "J0" is in this shop already`},
		{"fault before its job", "faults", change(fault, "2024-06-02", "2024-01-02"), "at: lies before the opening of its job"},
		{"connector of another board", "faults", fault + "; connector=C2", `connector: "C2" is not on the board of the job`},
		{"failure mode", "faults", fault + "; failure_mode=tired", `"tired" is no failure mode`},
		{"waived without reason", "faults", fault + "; waived_at=2024-06-03", "waive_reason: must be there"},
		{"one failure twice", "faults", change(fault, "job=J2", "job=J1"), "stands twice for one place in one job"},
		{"repair of a fault that is there", "repairs", "reference=R9; fault=F0; action=cleaned; at=2024-06-02", `the fault "F0" is in this shop already`},
		{"repair without action", "repairs", "reference=R9; fault=F0; at=2024-06-02", "action: must not be empty"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			files := map[string][]string{"boards": {importBoard, "reference=B2; serial=NP-2; first_seen_at=2024-01-01"}, "connectors": {"reference=C2; board=B2; place=here; fitted_at=2024-01-01"},
				"jobs": {importJob, "reference=J2; board=B1; opened_at=2024-06-01; closed_at=2024-06-03"}}
			files[c.kind] = append(files[c.kind], c.row)
			var all []ImportFile
			for _, f := range ImportForms() {
				all = append(all, importRows(f.Kind, files[f.Kind]...))
			}
			if im := importer1(t, known, all...); !strings.Contains(said(im.mistakes), c.want) {
				t.Errorf("want %q in\n%s", c.want, said(im.mistakes))
			}
		})
	}
	im := importer1(t, ImportKnown{}, importRows("boards", change(importBoard, "2024-03-01", "soon")), importRows("jobs", importJob), importRows("faults", "reference=F1; job=J1; cause=gone; at=2024-05-02"), importRows("repairs", "reference=R1; fault=F1; action=x; at=2024-05-02"))
	if len(im.mistakes) != 2 {
		t.Errorf("two mistakes are told as\n%s", said(im.mistakes))
	}
}

func TestOnlyOwnersImport(t *testing.T) {
	t.Parallel()
	for _, r := range []Role{Technician, Counter} {
		if _, err := New(nil, Options{}).Import(t.Context(), Actor{Role: r}, nil, true); !problem.Is(err, problem.Forbidden) {
			t.Errorf("%s: %v", r, err)
		}
	}
}
