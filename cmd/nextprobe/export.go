package main

import (
	"archive/zip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

func exportCommand() *cobra.Command {
	var slug string
	var asJSON bool
	cmd := &cobra.Command{Use: "export DIR_OR_FILE", Short: "Write the shop's own records as CSV files into a new folder, or into one .zip", Args: cobra.ExactArgs(1),
		Long: `Write everything that the shop has recorded, so that its owner can leave with it: owners, boards, connectors,
parts, jobs with their observations and readings, faults, repairs, verifications, stock, instruments, the log of who
did what, and the editions of the fault library. about.csv says what each column means. A name that ends in .zip is
one file, any other a new folder. It also works beside a running server, and shows the shop as it stood at one moment.
Sign-ins, passwords and tokens are not among it; backup copies those too.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := openApp(cmd.Context(), cmd, beside)
			if err != nil {
				return err
			}
			defer a.close()
			// A shop that is not there is a mistake here: an export must not make one.
			s, err := a.store.ShopBySlug(cmd.Context(), slug)
			if err != nil {
				return err
			}
			svc := shop.New(a.store, shop.Options{})
			owner := shop.Actor{ShopID: s.ID, Name: "command line", Role: shop.Owner}
			files := 0
			err = writeExport(args[0], func(create func(string) (io.Writer, error)) error {
				return svc.Export(cmd.Context(), owner, func(name string) (io.Writer, error) {
					files++
					return create(name)
				})
			})
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]any{"path": args[0], "files": files})
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%d files in %s; about.csv says what they hold.\n", files, args[0])
			return err
		}}
	cmd.Flags().StringVar(&slug, "shop", defaultShop, "shop")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// writeExport lets fill write files into a folder or archive of the given name. It is
// made beside its place and renamed at the end, so that what stands there is whole. It
// refuses to overwrite.
func writeExport(path string, fill func(create func(string) (io.Writer, error)) error) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return problem.New(problem.Conflict, "%s exists already; name a new folder or file.", path)
	}
	beside := filepath.Dir(filepath.Clean(path))
	if strings.EqualFold(filepath.Ext(path), ".zip") {
		return writeZip(path, beside, fill)
	}
	part, err := os.MkdirTemp(beside, ".export-*") // Only its owner may read it: it names customers.
	if err != nil {
		return err
	}
	defer os.RemoveAll(part)
	var open *os.File
	finish := func() error {
		if open == nil {
			return nil
		}
		return errors.Join(open.Sync(), open.Close())
	}
	err = fill(func(name string) (io.Writer, error) {
		if err := finish(); err != nil {
			return nil, err
		}
		open, err = os.OpenFile(filepath.Join(part, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		return open, err
	})
	if err := errors.Join(err, finish()); err != nil {
		return err
	}
	return os.Rename(part, path)
}

func writeZip(path, beside string, fill func(create func(string) (io.Writer, error)) error) error {
	part, err := os.CreateTemp(beside, ".export-*")
	if err != nil {
		return err
	}
	defer os.Remove(part.Name())
	defer part.Close()
	z := zip.NewWriter(part)
	if err := fill(z.Create); err != nil {
		return err
	}
	if err := errors.Join(z.Close(), part.Sync()); err != nil {
		return err
	}
	return os.Rename(part.Name(), path)
}
