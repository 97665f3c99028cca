package bus

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/minio/highwayhash"
)

// The names of a stream's settings and of their checksum.
const (
	settingsFile = "meta.inf"
	settingsSum  = "meta.sum"
)

// finishSettings ends a change of a stream's description that was cut off. The server writes a stream's settings and then their checksum, each
// in whole; one that is started after an end in between finds that they do not match, and passes over the stream as if there were none
// (nats-server 2.15.2). The checksum is written that was to come, if the old one is that of the same settings with another of these
// descriptions: of all that is damaged in another way nothing is touched.
func finishSettings(storeDir string, descriptions []string) error {
	found, err := fs.Glob(os.DirFS(storeDir), "jetstream/*/streams/*/"+settingsFile)
	if err != nil {
		return fmt.Errorf("look for the settings of streams: %w", err)
	}
	for _, name := range found {
		dir := filepath.Dir(filepath.Join(storeDir, filepath.FromSlash(name)))
		stream := filepath.Base(dir)
		settings, err := os.ReadFile(filepath.Join(dir, settingsFile))
		if err != nil {
			continue // the server tells
		}
		sum, err := os.ReadFile(filepath.Join(dir, settingsSum))
		if err != nil {
			continue
		}
		want, err := checksum(stream, settings)
		if err != nil {
			return err
		}
		if bytes.Equal(sum, want) || !changedFrom(stream, settings, sum, descriptions) {
			continue
		}
		if err := writeWhole(filepath.Join(dir, settingsSum), want); err != nil {
			return fmt.Errorf("finish a change of the settings of stream %s: %w", stream, err)
		}
	}
	return nil
}

// checksum is that of a stream's settings, as the server makes it.
func checksum(stream string, settings []byte) ([]byte, error) {
	key := sha256.Sum256([]byte(stream))
	sum, err := highwayhash.NewDigest64(key[:])
	if err != nil {
		return nil, fmt.Errorf("checksum of the settings of stream %s: %w", stream, err)
	}
	_, _ = sum.Write(settings) // a hash takes everything
	return hex.AppendEncode(nil, sum.Sum(nil)), nil
}

// changedFrom says whether a checksum is that of settings which differ in nothing but in the description.
func changedFrom(stream string, settings, sum []byte, descriptions []string) bool {
	var has struct {
		Description string `json:"description"`
	}
	if err := json.Unmarshal(settings, &has); err != nil {
		return false
	}
	field := func(description string) []byte {
		quoted, _ := json.Marshal(description) // a string always can be
		return append([]byte(`"description":`), quoted...)
	}
	for _, before := range descriptions {
		old, err := checksum(stream, bytes.Replace(settings, field(has.Description), field(before), 1))
		if err == nil && bytes.Equal(old, sum) {
			return true
		}
	}
	return false
}
