package pgserver

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"

	"nextprobe/internal/problem"
)

// owner is the system user that runs Postgres and owns its folders.
type owner struct {
	name     string
	uid, gid uint32
	// switched: this process is root and must give up root for Postgres.
	switched bool
}

// candidates are tried in order when root has not been told whom to run Postgres as.
var candidates = []string{"nextprobe", "postgres", "_postgres", "nobody"}

// chooseOwner finds whom to run Postgres as. An ordinary user runs it itself.
// For root it is the owner of an existing folder, the user asked for, or the
// first candidate that exists.
func chooseOwner(asked, home string) (owner, error) {
	euid := os.Geteuid()
	has, err := ownerOf(home)
	exists := err == nil
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return owner{}, problem.New(problem.Unavailable, "The database folder %s cannot be read; check the owner of the data folder.", home).Because(err)
	}
	if euid != 0 {
		if exists && int(has.uid) != euid {
			return owner{}, problem.New(problem.Unavailable, "The database folder %s belongs to user %s; run nextprobe as that user (or as root, which steps down to it).", home, has.name)
		}
		return owner{name: nameOf(uint32(euid)), uid: uint32(euid), gid: uint32(os.Getegid())}, nil //nolint:gosec // Ids of the system fit.
	}
	if exists && has.uid != 0 && asked == "" {
		has.switched = true
		return has, nil
	}
	names := candidates
	if asked != "" {
		names = []string{asked}
	}
	for _, name := range names {
		if o, err := lookup(name); err == nil && o.uid != 0 {
			o.switched = true
			return o, nil
		}
	}
	return owner{}, problem.New(problem.Unavailable,
		"Postgres does not run as root, and none of the users %v exists. Make one (`useradd --system nextprobe`), or run nextprobe as an ordinary user.", names)
}

func lookup(name string) (owner, error) {
	u, err := user.Lookup(name)
	if err != nil {
		return owner{}, err
	}
	uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
	gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
	return owner{name: name, uid: uint32(uid), gid: uint32(gid)}, errors.Join(err1, err2)
}

func ownerOf(path string) (owner, error) {
	info, err := os.Lstat(path)
	if err != nil {
		return owner{}, err
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return owner{}, fmt.Errorf("%s: this system tells no owner of a file", path)
	}
	return owner{name: nameOf(st.Uid), uid: st.Uid, gid: st.Gid}, nil
}

func nameOf(uid uint32) string {
	id := strconv.FormatUint(uint64(uid), 10)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return id
}

// attr makes a child run as the owner, in a process group of its own: a Ctrl-C
// at the terminal must reach the server that shuts down in order, not Postgres.
func (o owner) attr() *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Setpgid: true}
	if o.switched {
		attr.Credential = &syscall.Credential{Uid: o.uid, Gid: o.gid}
	}
	return attr
}

// ownFolder makes a folder that only the owner (and root) can enter. An existing
// one must be a real folder of the owner's, not a link that somebody laid there.
func (o owner) ownFolder(path string) error {
	if err := os.Mkdir(path, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return problem.New(problem.Unavailable, "The folder %s cannot be made; check the rights of the folder above.", path).Because(err)
	}
	info, err := os.Lstat(path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if !info.IsDir() {
		return problem.New(problem.Unavailable, "%s is in the way: it is not a folder. Move it.", path)
	}
	has, err := ownerOf(path)
	if err != nil {
		return err
	}
	if has.uid != o.uid {
		// Root hands over what it has just made itself, or what a crash left before this line.
		if !o.switched || has.uid != 0 {
			return problem.New(problem.Unavailable, "The folder %s belongs to user %s, not to %s; change its owner or choose another data folder.", path, has.name, o.name)
		}
		if err := os.Lchown(path, int(o.uid), int(o.gid)); err != nil {
			return problem.New(problem.Unavailable, "The folder %s cannot be given to user %s: the file system or this container forbids it. Run nextprobe as an ordinary user.", path, o.name).Because(err)
		}
	}
	if info.Mode().Perm() != 0o700 {
		if err := os.Chmod(path, 0o700); err != nil { //nolint:gosec // A folder needs the right to enter it.
			return fmt.Errorf("close %s to others: %w", path, err)
		}
	}
	return nil
}

// barredAt returns the first folder above path that the owner may not enter, or
// "". It looks at the plain rights; access lists that narrow them show up as an
// error of Postgres itself.
func (o owner) barredAt(path string) string {
	if !o.switched {
		return ""
	}
	var above []string
	for dir := filepath.Dir(path); ; dir = filepath.Dir(dir) {
		above = append(above, dir)
		if dir == filepath.Dir(dir) {
			break
		}
	}
	for n := len(above) - 1; n >= 0; n-- {
		info, err := os.Stat(above[n])
		if err != nil || !o.mayEnter(info) {
			return above[n]
		}
	}
	return ""
}

func (o owner) mayEnter(info fs.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return false
	}
	switch {
	case st.Uid == o.uid:
		return info.Mode()&0o100 != 0
	case st.Gid == o.gid:
		return info.Mode()&0o010 != 0
	default:
		return info.Mode()&0o001 != 0
	}
}
