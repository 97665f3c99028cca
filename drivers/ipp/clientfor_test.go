package ipp

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/clock"
)

type atomicInt = atomic.Int64

// clientFor is a client of somebody who is not the driver.
func clientFor(t *testing.T, uri string) *client {
	t.Helper()
	v := drivers.ReadSettings(known(), map[string]string{"uri": uri, "requesting-user": "somebody"})
	c := newClient(v)
	if err := v.Err(); err != nil {
		t.Fatal(err)
	}
	return c
}

// cancelByHand cancels a job as somebody at the printer would.
func cancelByHand(t *testing.T, uri, name string) {
	t.Helper()
	c := clientFor(t, uri)
	jobs, err := c.jobs(t.Context(), "not-completed")
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range jobs {
		if j.name == name {
			if err := c.cancel(t.Context(), j.id); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	t.Fatalf("no job %s among %d", name, len(jobs))
}

type tandemStamp = timestamppb.Timestamp

func wall() clock.Clock { return clock.Wall() }

// artwork writes a document and returns its path and hash.
func artwork(t *testing.T, content string) (path, sum string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "art.pdf")
	write(t, path, content)
	hash := sha256.Sum256([]byte(content))
	return path, hex.EncodeToString(hash[:])
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}
