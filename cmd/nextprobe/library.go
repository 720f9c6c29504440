package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

func libraryCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "library", Short: "Check a fault library, infer from it, compile its tree or judge it, without a database", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return usageError{errors.New("library: say check, infer, tree or testability")}
		}}
	cmd.AddCommand(libraryCheckCommand(), libraryInferCommand(), libraryTreeCommand(), libraryTestabilityCommand())
	return cmd
}

// readLibrary reads the file, or the embedded edition when path is "".
func readLibrary(path string) ([]byte, error) {
	if path == "" {
		return faultlib.Embedded(), nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, usageError{fmt.Errorf("--library: %w", err)}
	}
	return b, nil
}

func libraryCheckCommand() *cobra.Command {
	var path string
	var asJSON bool
	cmd := &cobra.Command{
		Use: "check [FILE]", Short: "Check a fault library: every mistake with its line and column", Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				path = args[0]
			}
			content, err := readLibrary(path)
			if err != nil {
				return err
			}
			lib, issues := faultlib.Load(content)
			if err := printIssues(cmd.OutOrStdout(), lib, issues, asJSON); err != nil {
				return err
			}
			if lib == nil {
				return errQuiet
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&path, "library", "", "library file (default: the embedded edition)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

type issueJSON struct {
	Severity string `json:"severity"`
	Line     int    `json:"line"`
	Column   int    `json:"column"`
	Path     string `json:"path"`
	Message  string `json:"message"`
}

func printIssues(out io.Writer, lib *faultlib.Library, issues []faultlib.Issue, asJSON bool) error {
	if asJSON {
		answer := struct {
			Valid  bool        `json:"valid"`
			SHA256 string      `json:"sha256,omitempty"`
			Issues []issueJSON `json:"issues"`
		}{Valid: lib != nil, Issues: []issueJSON{}}
		for _, i := range issues {
			answer.Issues = append(answer.Issues, issueJSON{string(i.Severity), i.Line, i.Column, i.Path, i.Message})
		}
		if lib != nil {
			answer.SHA256 = lib.SHA256
		}
		return json.NewEncoder(out).Encode(answer)
	}
	for _, i := range issues {
		if _, err := fmt.Fprintf(out, "%d:%d: %s: %s: %s\n", i.Line, i.Column, i.Severity, i.Path, i.Message); err != nil {
			return err
		}
	}
	if lib == nil {
		_, err := fmt.Fprintln(out, "The library has errors and cannot be used.")
		return err
	}
	_, err := fmt.Fprintf(out, "Good: %d causes, %d symptoms, %d measurements, edition %d, sha256 %s\n",
		len(lib.Causes), len(lib.Symptoms), len(lib.Measurements), lib.Edition, lib.SHA256)
	return err
}

func libraryInferCommand() *cobra.Command {
	var path, evidence string
	var asJSON bool
	cmd := &cobra.Command{
		Use: "infer --evidence FILE", Short: "Infer causes and the next measurement from evidence, without a database", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if evidence == "" {
				return usageError{errors.New("--evidence: name a JSON file, or - for standard input")}
			}
			content, err := readLibrary(path)
			if err != nil {
				return err
			}
			body, err := readFileOrStdin(cmd, evidence)
			if err != nil {
				return usageError{fmt.Errorf("--evidence: %w", err)}
			}
			lib, issues := faultlib.Load(content)
			if lib == nil {
				_ = printIssues(cmd.ErrOrStderr(), nil, issues, false)
				return problem.New(problem.Invalid, "The library has errors.")
			}
			answer, err := lib.InferJSON(body)
			if err != nil {
				return err
			}
			enc := json.NewEncoder(cmd.OutOrStdout())
			if !asJSON {
				enc.SetIndent("", "  ")
			}
			return enc.Encode(answer)
		},
	}
	cmd.Flags().StringVar(&path, "library", "", "library file (default: the embedded edition)")
	cmd.Flags().StringVar(&evidence, "evidence", "", "evidence file in JSON, or - for standard input")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print compact JSON")
	return cmd
}

func readFileOrStdin(cmd *cobra.Command, path string) ([]byte, error) {
	const limit = 8 << 20
	in := cmd.InOrStdin()
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	b, err := io.ReadAll(io.LimitReader(in, limit+1))
	if err == nil && len(b) > limit {
		err = fmt.Errorf("larger than %d MiB", limit>>20)
	}
	return b, err
}
