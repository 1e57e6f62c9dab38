package journal

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

//go:embed schema
var schemas embed.FS

// ErrNewer is returned by Open for files that a later version of the program has written.
var ErrNewer = errors.New("written by a newer version of bayledger")

// ErrNone is wrapped when a journal is to be read where there is none.
var ErrNone = errors.New("there is no journal in this folder")

// ErrFull is wrapped by every error that says there was no room on the disk, or no more pages
// within the journal's limit. Nothing of the failed call is stored; trying again later is right.
var ErrFull = errors.New("no room")

// ErrDamaged is wrapped by errors that say a file cannot be read as it was written.
var ErrDamaged = errors.New("journal file is damaged")

// applicationID marks our files: "bayl" in ASCII.
const applicationID = 0x6261796c

// settings of a connection, in the DSN so that every pooled connection has them. auto_vacuum
// comes before journal_mode, since the other order leaves it off.
type settings struct {
	readOnly bool
	fresh    bool // there is no file yet
	mayCopy  bool // a reader that may write another file
	maxPages int64
	walLimit int64
	// vfs names another file system layer, for tests that need to see writes and syncs.
	vfs string
	// synchronous is FULL; the power-cut test shows what OFF would lose.
	synchronous string
}

func dsn(file string, s settings) string {
	q := url.Values{}
	pragma := func(name, value string) { q.Add("_pragma", name+"("+value+")") }
	pragma("busy_timeout", "10000")
	if s.readOnly {
		q.Set("mode", "ro")
		if !s.mayCopy {
			pragma("query_only", "1")
		}
	} else {
		q.Set("_txlock", "immediate")
		if s.fresh { // on a file that exists it would write, also on one that must be refused
			pragma("auto_vacuum", "INCREMENTAL")
		}
		pragma("journal_mode", "WAL")
		pragma("synchronous", s.synchronous)
		pragma("journal_size_limit", strconv.FormatInt(s.walLimit, 10))
		pragma("wal_autocheckpoint", "1000")
		if s.maxPages > 0 {
			pragma("max_page_count", strconv.FormatInt(s.maxPages, 10))
		}
	}
	pragma("cache_size", "-4096")
	if s.vfs != "" {
		q.Set("vfs", s.vfs)
	}
	return "file:" + (&url.URL{Path: file}).EscapedPath() + "?" + q.Encode()
}

// database is one SQLite file with its single writer and its readers.
type database struct {
	file string
	w    *sql.DB // nil when opened for reading only
	r    *sql.DB
}

// openDatabase opens the file, checks that the settings that durability rests on have taken,
// and brings the schema up to date.
func openDatabase(ctx context.Context, file, schema string, s settings) (*database, error) {
	d := &database{file: file}
	info, err := os.Stat(file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	s.fresh = err != nil || info.Size() == 0
	if !s.readOnly {
		if d.w, err = sql.Open("sqlite", dsn(file, s)); err != nil {
			return nil, err
		}
		d.w.SetMaxOpenConns(1)
		if err := d.prepare(ctx, schema, s); err != nil {
			return nil, errors.Join(classify(err), d.w.Close())
		}
	}
	reader := s
	reader.readOnly = true
	if d.r, err = sql.Open("sqlite", dsn(file, reader)); err != nil {
		return nil, errors.Join(err, d.close())
	}
	d.r.SetMaxOpenConns(4)
	if s.readOnly {
		if err := d.checkVersion(ctx, schema); err != nil {
			return nil, errors.Join(classify(err), d.close())
		}
	}
	return d, nil
}

func (d *database) close() error {
	var errs []error
	for _, db := range []*sql.DB{d.r, d.w} { // the writer last: it folds up the log when nobody reads
		if db == nil {
			continue
		}
		quiet(db)
		if db == d.w {
			// The end of a context can interrupt a connection after its statement was over, and what
			// SQLite does at closing is interrupted then. The next statement takes that back.
			_, _ = db.Exec("PRAGMA wal_checkpoint(PASSIVE)") // what it does not do, closing does
		}
		errs = append(errs, db.Close())
	}
	return errors.Join(errs...)
}

// quiet waits until no connection is in use: what the end of a context has broken off is rolled
// back behind its caller's back, and a reader that outlives the writer leaves the log behind.
func quiet(db *sql.DB) {
	if db.Stats().InUse == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	db.SetMaxOpenConns(1)
	if c, err := db.Conn(ctx); err == nil { // there is one when all others are back
		_ = c.Close() // it only goes back to the others
	}
}

func (d *database) prepare(ctx context.Context, schema string, s settings) error {
	want := map[string]string{"journal_mode": "wal", "synchronous": map[string]string{"FULL": "2", "OFF": "0"}[s.synchronous], "auto_vacuum": "2"}
	for _, name := range []string{"journal_mode", "synchronous", "auto_vacuum"} {
		var got string
		if err := d.w.QueryRowContext(ctx, "PRAGMA "+name).Scan(&got); err != nil {
			return fmt.Errorf("%s: read %s: %w", d.file, name, err)
		}
		if got != want[name] {
			return fmt.Errorf("%s: %s is %s and not %s: nothing would be safe here", d.file, name, got, want[name])
		}
	}
	return d.migrate(ctx, schema)
}

// versions returns the migration files of a schema, in order.
func versions(schema string) ([]string, error) {
	files, err := fs.Glob(schemas, path.Join("schema", schema, "*.sql"))
	if err != nil {
		return nil, err
	}
	slices.Sort(files)
	return files, nil
}

// migrate applies the files that are missing, each with its own record in one transaction. A file
// that is already in use is copied first, so that there is a way back to the older program.
func (d *database) migrate(ctx context.Context, schema string) error {
	db := d.w
	files, err := versions(schema)
	if err != nil {
		return err
	}
	have, err := version(ctx, db, len(files))
	if err != nil {
		return err
	}
	if 0 < have && have < len(files) {
		if err := copyDatabase(ctx, d, fmt.Sprintf("%s.schema-%d", d.file, have)); err != nil {
			return fmt.Errorf("%s: copy it before it is brought from schema %d to %d: %w; make room for it, or go back to the older program", d.file, have, len(files), err)
		}
	}
	for i, file := range files[have:] {
		text, err := fs.ReadFile(schemas, file)
		if err != nil {
			return err
		}
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
		_, err = tx.ExecContext(ctx, string(text)+fmt.Sprintf(";PRAGMA application_id=%d;PRAGMA user_version=%d", applicationID, have+i+1))
		if err != nil {
			return errors.Join(fmt.Errorf("%s: %w", file, err), tx.Rollback())
		}
		if err := tx.Commit(); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
	}
	return nil
}

// version reads the schema version and refuses a file that is newer or not ours.
func version(ctx context.Context, db *sql.DB, latest int) (int, error) {
	var app, have, tables int
	if err := db.QueryRowContext(ctx, "SELECT (SELECT application_id FROM pragma_application_id), (SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM sqlite_schema)").Scan(&app, &have, &tables); err != nil {
		return 0, fmt.Errorf("read schema version: %w", err)
	}
	switch {
	case tables > 0 && app != applicationID:
		return 0, errors.New("this is a database of another program")
	case have > latest:
		return 0, fmt.Errorf("schema %d, this program knows %d: %w", have, latest, ErrNewer)
	}
	return have, nil
}

func (d *database) checkVersion(ctx context.Context, schema string) error {
	files, err := versions(schema)
	if err != nil {
		return err
	}
	have, err := version(ctx, d.r, len(files))
	if err != nil {
		return fmt.Errorf("%s: %w", d.file, err)
	}
	if have < len(files) {
		return fmt.Errorf("%s: schema %d is older than %d; start the daemon once to bring it up to date", d.file, have, len(files))
	}
	return nil
}

// classify adds ErrFull or ErrDamaged to errors of SQLite that mean so. An input/output error while
// writing is what a full disk looks like through some file systems, so it counts as full: the
// remedy, going on and trying again, is the same.
func classify(err error) error {
	e, ok := errors.AsType[*sqlite.Error](err)
	if !ok {
		return err
	}
	switch code := e.Code(); {
	case code&0xff == sqlite3.SQLITE_FULL,
		code == sqlite3.SQLITE_IOERR_WRITE, code == sqlite3.SQLITE_IOERR_FSYNC, code == sqlite3.SQLITE_IOERR_TRUNCATE, code == sqlite3.SQLITE_IOERR_SHMSIZE:
		return fmt.Errorf("%w: %w", ErrFull, err)
	case code&0xff == sqlite3.SQLITE_CORRUPT, code&0xff == sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return err
}

// isFull reports whether the error says that there was no room.
func isFull(err error) bool { return errors.Is(err, ErrFull) }

// placeholders returns "?, ?, ?" for n values.
func placeholders(n int) string { return strings.TrimSuffix(strings.Repeat("?, ", n), ", ") }
