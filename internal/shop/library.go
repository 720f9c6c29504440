package shop

import (
	"context"
	"fmt"
	"sync"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
)

// maxLibrary bounds an imported library; the first edition has a quarter of a MiB.
const maxLibrary = 8 << 20

// edition is a library version with what is prepared from it once.
type edition struct {
	lib     *faultlib.Library
	model   *diagnosis.Model
	version LibraryVersion
	// learned are the shop's numbers that model has instead of lib's; nil: none.
	learned *LearnedState
}

// libraryCache keeps checked libraries: loading one takes a good part of a
// second. Versions are immutable, so what is cached never goes stale but for
// which one is current. Shops with the same file share one Library.
type libraryCache struct {
	store    Store
	mu       sync.Mutex
	versions map[versionKey]*edition
	byHash   map[string]*loaded
	// learned are the models of learned states, the oldest made first in order.
	learned      map[learnedKey]*edition
	learnedOrder []learnedKey
}

type versionKey struct{ shop, id ID }

// loaded is one file being loaded or loaded: whoever comes second waits.
type loaded struct {
	once  sync.Once
	lib   *faultlib.Library
	model *diagnosis.Model
	err   error
}

func newLibraryCache(store Store) *libraryCache {
	return &libraryCache{store: store, versions: map[versionKey]*edition{}, byHash: map[string]*loaded{}, learned: map[learnedKey]*edition{}}
}

// of returns a stored version. Its Current is that of the first reading in this
// process since the last import here.
func (c *libraryCache) of(ctx context.Context, shopID, id ID) (*edition, error) {
	key := versionKey{shopID, id}
	c.mu.Lock()
	ed := c.versions[key]
	c.mu.Unlock()
	if ed != nil {
		return ed, nil
	}
	content, v, err := c.store.LibraryContent(ctx, shopID, id)
	if err != nil {
		return nil, err
	}
	l := c.load(v.SHA256, content)
	if l.err != nil {
		return nil, l.err
	}
	ed = &edition{lib: l.lib, model: l.model, version: v}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.versions[key] = ed
	return ed, nil
}

// load parses a file once, however many ask at the same time.
func (c *libraryCache) load(hash string, content []byte) *loaded {
	c.mu.Lock()
	l := c.byHash[hash]
	if l == nil {
		l = &loaded{}
		c.byHash[hash] = l
	}
	c.mu.Unlock()
	l.once.Do(func() {
		lib, issues := faultlib.Load(content)
		if l.lib = lib; lib == nil {
			// Not the caller's mistake, so that the problem in it is not passed on as one.
			l.err = fmt.Errorf("stored library %s does not load: %v", hash, libraryProblem(issues)) //nolint:errorlint // See above.
			return
		}
		l.model, l.err = lib.Model(faultlib.ModelContext{})
	})
	return l
}

// forget drops the versions of a shop, after which one is current has changed.
func (c *libraryCache) forget(shopID ID) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for key := range c.versions {
		if key.shop == shopID {
			delete(c.versions, key)
		}
	}
}

func (s *Service) current(ctx context.Context, shopID ID) (*edition, error) {
	v, err := s.store.CurrentLibrary(ctx, shopID)
	if err != nil {
		return nil, err
	}
	ed, err := s.libs.of(ctx, shopID, v.ID)
	if err != nil {
		return nil, err
	}
	return &edition{lib: ed.lib, model: ed.model, version: v}, nil
}

// Library is the shop's current edition.
func (s *Service) Library(ctx context.Context, a Actor) (*faultlib.Library, LibraryVersion, error) {
	if err := a.may(mayRead); err != nil {
		return nil, LibraryVersion{}, err
	}
	ed, err := s.current(ctx, a.ShopID)
	if err != nil {
		return nil, LibraryVersion{}, err
	}
	return ed.lib, ed.version, nil
}

// LibraryOf is the edition a job's diagnosis uses.
func (s *Service) LibraryOf(ctx context.Context, a Actor, id ID) (*faultlib.Library, LibraryVersion, error) {
	if err := a.may(mayRead); err != nil {
		return nil, LibraryVersion{}, err
	}
	ed, err := s.libs.of(ctx, a.ShopID, id)
	if err != nil {
		return nil, LibraryVersion{}, err
	}
	return ed.lib, ed.version, nil
}

// Libraries lists the stored versions.
func (s *Service) Libraries(ctx context.Context, a Actor) ([]LibraryVersion, error) {
	if err := a.may(mayRead); err != nil {
		return nil, err
	}
	return s.store.Libraries(ctx, a.ShopID)
}

// ImportLibrary checks an edition, stores it and makes it current. Jobs that are
// open keep the edition they began with. The issues returned are the warnings of
// an edition that was stored, or all issues beside the Invalid error, whose
// fields are the errors' places, "line:column".
func (s *Service) ImportLibrary(ctx context.Context, a Actor, content []byte, note string) (LibraryVersion, []faultlib.Issue, error) {
	if err := a.may(mayLibrary); err != nil {
		return LibraryVersion{}, nil, err
	}
	if len(content) > maxLibrary {
		return LibraryVersion{}, nil, problem.New(problem.TooLarge, "A fault library may have at most %d MiB.", maxLibrary>>20)
	}
	var c checker
	note = c.note("note", note, maxLong)
	if err := c.err(); err != nil {
		return LibraryVersion{}, nil, err
	}
	return s.saveLibrary(ctx, a, content, note)
}

func (s *Service) saveLibrary(ctx context.Context, a Actor, content []byte, note string) (LibraryVersion, []faultlib.Issue, error) {
	lib, issues := faultlib.Load(content)
	if lib == nil {
		return LibraryVersion{}, issues, libraryProblem(issues)
	}
	v := LibraryVersion{ID: newID(), SHA256: lib.SHA256, Edition: lib.Edition, Note: note, Current: true, StoredAt: s.time(), By: a.Name}
	v, err := s.store.SaveLibrary(ctx, a.ShopID, v, content, s.audit(a, "library.import", "library", v.ID,
		map[string]any{"edition": lib.Edition, "sha256": lib.SHA256}))
	s.libs.forget(a.ShopID)
	if err == nil {
		err = s.relearn(ctx, a)
	}
	return v, issues, err
}

// libraryProblem is the Invalid error that carries every error of a file at its
// place.
func libraryProblem(issues []faultlib.Issue) error {
	e := problem.New(problem.Invalid, "This fault library has errors and was not stored.")
	for _, i := range issues {
		if i.Severity == faultlib.Error {
			e = e.With(fmt.Sprintf("%d:%d", i.Line, i.Column), "%s: %s", i.Path, i.Message)
		}
	}
	return e
}
