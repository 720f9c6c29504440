package shop

import (
	"context"
	"testing"

	"nextprobe/internal/problem"
)

func TestExportTablesAreDescribed(t *testing.T) {
	t.Parallel()
	files := map[string]bool{}
	for _, f := range ExportTables() {
		if files[f.Name] || f.About == "" || len(f.Columns) < 4 {
			t.Errorf("file %+v", f)
		}
		files[f.Name] = true
		columns := map[string]bool{}
		for _, c := range f.Columns {
			if columns[c.Name] || c.Name == "" || c.Meaning == "" {
				t.Errorf("%s: column %+v", f.Name, c)
			}
			columns[c.Name] = true
		}
	}
}

func TestOnlyOwnersExport(t *testing.T) {
	t.Parallel()
	for _, r := range []Role{Technician, Counter, ""} {
		if err := New(nil, Options{}).Export(context.Background(), Actor{Role: r}, nil); !problem.Is(err, problem.Forbidden) {
			t.Errorf("%s: %v", r, err)
		}
	}
}
