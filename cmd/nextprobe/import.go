package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func importCommand() *cobra.Command {
	var slug string
	var check, asJSON bool
	cmd := &cobra.Command{Use: "import --boards FILE --jobs FILE", Short: "Take over boards and past jobs from CSV files, so that recurrence starts with a history", Args: cobra.NoArgs,
		Long: importHelp()}
	paths := map[string]*string{}
	for _, f := range shop.ImportForms() {
		paths[f.Kind] = cmd.Flags().String(strings.ReplaceAll(f.Kind, "_", "-"), "", "CSV file of the "+f.About)
	}
	cmd.Flags().StringVar(&slug, "shop", defaultShop, "shop")
	cmd.Flags().BoolVar(&check, "check", false, "say what would be imported, and every mistake, and write nothing")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		files, err := readImport(paths)
		if err != nil {
			return err
		}
		return withShop(cmd, slug, func(svc *shop.Service, owner shop.Actor) error {
			counts, err := svc.Import(cmd.Context(), owner, files, check)
			if err != nil {
				return err
			}
			return printImport(cmd, counts, check, asJSON)
		})
	}
	return cmd
}

// importHelp lists the columns of each file.
func importHelp() string {
	var b strings.Builder
	b.WriteString(`Take over what was recorded elsewhere. All files of one call are imported whole, or nothing is: every mistake is named
with its line and column first. A row is recognised by its reference, a name of your own that is unique in its file:
what was imported before is left as it is. --check writes nothing. The files of an export are understood as they are;
jobs that are not closed there are passed over, since their boards must be taken in again.

Commas, semicolons or tabs separate; the first line names the columns, in any order. Times are 2025-03-31,
2025-03-31 14:05 (both UTC) or RFC 3339. A board may be named by its reference or its serial. Causes and components
are ids of the shop's fault library ('nextprobe library check' reads one; the pages list them).
`)
	for _, f := range shop.ImportForms() {
		fmt.Fprintf(&b, "\n--%s FILE: %s\n  needed: %s\n  also:   %s\n", strings.ReplaceAll(f.Kind, "_", "-"), f.About, strings.Join(f.Required, ", "), strings.Join(f.Optional, ", "))
		if len(f.Passed) > 0 {
			fmt.Fprintf(&b, "  passed over: %s\n", strings.Join(f.Passed, ", "))
		}
	}
	return b.String()
}

// readImport reads the files that were named; the mistakes of all of them are told
// together.
func readImport(paths map[string]*string) ([]shop.ImportFile, error) {
	var files []shop.ImportFile
	var wrong []problem.Field
	for _, form := range shop.ImportForms() {
		path := *paths[form.Kind]
		if path == "" {
			continue
		}
		f, err := readImportFile(path, form)
		if p := problem.As(err); p != nil {
			for _, x := range p.Fields {
				wrong = append(wrong, problem.Field{Field: filepath.Base(path) + " " + x.Field, Message: x.Message})
			}
			if len(p.Fields) == 0 {
				wrong = append(wrong, problem.Field{Field: filepath.Base(path), Message: p.Message})
			}
		} else if err != nil {
			return nil, usageError{err}
		}
		files = append(files, f)
	}
	switch {
	case len(files) == 0:
		return nil, usageError{errors.New("import: name at least one file, such as --boards or --jobs")}
	case len(wrong) > 0:
		return nil, &problem.Error{Code: problem.Invalid, Message: "Nothing was imported:", Fields: wrong}
	}
	return files, nil
}

func readImportFile(path string, form shop.ImportForm) (shop.ImportFile, error) {
	f := shop.ImportFile{Kind: form.Kind, Name: filepath.Base(path)}
	in, err := os.Open(path) //nolint:gosec // The person who runs the command names the file.
	if err != nil {
		return f, err
	}
	defer in.Close()
	t, err := openTable(in, form.Required, slices.Concat(form.Optional, form.Passed))
	if err != nil {
		return f, err
	}
	for {
		more, err := t.next()
		if err != nil {
			return f, err
		}
		if !more {
			return f, t.complaint()
		}
		line, _ := t.reader.FieldPos(0)
		row := shop.ImportRow{Line: line, Values: make(map[string]string, len(t.names))}
		for _, name := range slices.Concat(form.Required, form.Optional) {
			if s := t.text(name); s != "" {
				row.Values[name] = s
			}
		}
		for _, name := range importNumbers {
			if t.decimal && !strings.Contains(row.Values[name], ".") && row.Values[name] != "" {
				row.Values[name] = strings.Replace(row.Values[name], ",", ".", 1)
			}
		}
		f.Rows = append(f.Rows, row)
	}
}

// importNumbers are the columns in which a comma may stand for the decimal point.
var importNumbers = []string{"odometer_km", "installed_km", "removed_km"}

func printImport(cmd *cobra.Command, counts []shop.ImportCount, check, asJSON bool) error {
	if asJSON {
		type answer struct {
			Kind    string `json:"kind"`
			New     int    `json:"new"`
			Already int    `json:"already_there"`
			Open    int    `json:"open"`
		}
		rows := make([]answer, len(counts))
		for i, c := range counts {
			rows[i] = answer{c.Kind, c.New, c.Already, c.Open}
		}
		return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]any{"checked_only": check, "counts": rows})
	}
	done := "imported"
	if check {
		done = "can be imported"
	}
	for _, c := range counts {
		said := fmt.Sprintf("%s: %d %s", strings.ReplaceAll(c.Kind, "_", " "), c.New, done)
		if c.Already > 0 {
			said += fmt.Sprintf(", %d there already and left as they are", c.Already)
		}
		if c.Open > 0 {
			said += fmt.Sprintf(", %d passed over because their job is not closed: take the board in again", c.Open)
		}
		fmt.Fprintln(cmd.OutOrStdout(), said+".")
	}
	return nil
}
