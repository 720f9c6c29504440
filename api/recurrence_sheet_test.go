package api_test

import (
	"bytes"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/xuri/excelize/v2"

	"nextprobe/internal/workbook"
)

func init() { openapi3filter.RegisterBodyDecoder(workbook.MediaType, openapi3filter.FileBodyDecoder) }

func (r *reply) sheets() *excelize.File {
	r.t.Helper()
	if got := r.header.Get("Content-Type"); got != workbook.MediaType {
		r.t.Fatalf("content type %q", got)
	}
	f, err := excelize.OpenReader(bytes.NewReader(r.raw))
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = f.Close() })
	return f
}

func TestRecurrenceAsWorkbook(t *testing.T) {
	t.Parallel()
	b := setup(t)
	board := b.board("=NP-7")
	job := v1 + "/jobs/" + b.job(board, "green_corrosion")
	fault := b.do("POST", job+"/faults", obj{"cause": "interbox_burned"}, 201).text("id")
	b.do("POST", job+"/repairs", obj{"fault_id": fault, "action": "replaced both halves", "minutes": 20}, 201)

	const list, row = v1 + "/recurrence?group=cause", v1 + "/recurrence/cause/interbox_burned"
	for _, r := range []*reply{b.do("GET", list+"&format=xlsx", nil, 200), b.do("GET", list, nil, 200, header("Accept", workbook.MediaType))} {
		if rows, err := r.sheets().GetRows("List"); err != nil || len(rows) != 2 || rows[1][2] != "interbox_burned" || rows[1][3] != "1" || rows[1][4] == "" {
			t.Errorf("list %v %v", rows, err)
		}
	}
	rows, err := b.do("GET", row+"?format=xlsx", nil, 200).sheets().GetRows("Jobs")
	if err != nil || len(rows) != 2 || rows[1][2] != "=NP-7" || rows[1][7] != "replaced both halves" {
		t.Errorf("jobs %v %v", rows, err)
	}
	// JSON where both are accepted, or where it is asked for.
	b.do("GET", list, nil, 200, header("Accept", workbook.MediaType+", application/json")).text("unit")
	b.do("GET", row+"?format=json", nil, 200, header("Accept", workbook.MediaType)).text("unit")
	b.refuse("GET", list+"&format=pdf", nil, 400, "format")
	b.refuse("GET", row+"?format=pdf", nil, 400, "format")
}
