package journal

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// ownFiles gives the files root has made in the journal's folder to the folder's owner: a command
// that was run with sudo, before the service ever was, must not keep the service out of its own
// journal. SQLite does the same for the logs beside a file. A file with a second name is left
// alone, as it may be somebody else's.
func (j *Journal) ownFiles() error {
	if j.opts.ReadOnly || os.Geteuid() != 0 {
		return nil
	}
	folder, err := os.Stat(j.opts.Dir)
	if err != nil {
		return err
	}
	to, ok := folder.Sys().(*syscall.Stat_t)
	if !ok || to.Uid == 0 {
		return nil
	}
	entries, err := os.ReadDir(j.opts.Dir)
	errs := []error{err}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil {
			continue // gone meanwhile
		}
		of, ok := info.Sys().(*syscall.Stat_t)
		if !ok || !info.Mode().IsRegular() || of.Uid != 0 || of.Nlink != 1 {
			continue
		}
		if err := os.Lchown(j.path(e.Name()), int(to.Uid), int(to.Gid)); !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}
