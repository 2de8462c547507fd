package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"lintel/api/client"
	"lintel/engine/store/boltstore"
)

type backupCmd struct {
	client.Flags
	Data string `help:"Directory of a store that no server uses now. Default: ask the server, which goes on." type:"path" placeholder:"DIR"`
	File string `arg:"" help:"File to write; it must not be there." type:"path"`
}

func (c *backupCmd) Run(s *streams) error {
	if _, err := os.Lstat(c.File); err == nil {
		return fmt.Errorf("%s is there already: choose another name", c.File)
	}
	// Under its name there is only ever a whole backup that was read again.
	part := c.File + ".part"
	n, err := writeFile(part, func(w io.Writer) error { return c.write(s, w) })
	if err == nil {
		err = boltstore.Verify(part)
	}
	if err == nil {
		err = os.Rename(part, c.File)
	}
	if err != nil {
		return errors.Join(refuse(s, err), os.Remove(part))
	}
	_, err = fmt.Fprintf(s.out, "%s: %d bytes, verified\n", c.File, n)
	return err
}

func (c *backupCmd) write(s *streams, w io.Writer) error {
	if c.Data != "" {
		st, err := boltstore.Open(c.Data, boltstore.Options{Existing: true})
		if errors.Is(err, boltstore.ErrInUse) {
			return errors.New("a server uses this directory: leave out --data, and give --server and a key of the scope admin")
		} else if err != nil {
			return err
		}
		_, err = st.Backup(s.ctx, w)
		return errors.Join(err, st.Close())
	}
	cl, err := c.Client()
	if err != nil {
		return err
	}
	defer cl.Close()
	res, err := cl.Do(s.ctx, "GET", "/v1/backup", nil, nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	_, err = io.Copy(w, res.Body) // an answer that was broken off is an error
	return err
}

// writeFile makes a file that only its owner may read, puts it on the disk, and returns its size.
func writeFile(path string, write func(io.Writer) error) (n int64, err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return 0, err
	}
	if err = errors.Join(write(f), f.Sync()); err == nil {
		n, err = f.Seek(0, io.SeekCurrent)
	}
	return n, errors.Join(err, f.Close())
}

type restoreCmd struct {
	File string `arg:"" help:"Backup to restore, as lintel backup wrote it." type:"existingfile"`
	Data string `help:"Directory to restore into, which must have no store." required:"" type:"path" placeholder:"DIR"`
}

func (c *restoreCmd) Run(s *streams) error {
	if err := boltstore.Restore(c.File, c.Data); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "restored %s\n", filepath.Join(c.Data, boltstore.FileName))
	return err
}
