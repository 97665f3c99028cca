package bus

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"tandem/proto/durable"
)

// TokenFile is the name of the drivers' token in the store directory.
const TokenFile = "driver-token"

// A token is a text of crypto/rand: base32, 26 characters, at least 128 bits.
const (
	shortestToken = 26
	longestToken  = 64
)

// Why a file is not taken for the drivers' token. What helps depends on who asks: the daemon has made its file and can make another
// one, a driver may have been given any file.
var (
	errTokenOpen    = errors.New("can be read by other users")
	errTokenDamaged = errors.New("holds no driver token")
)

// ensureToken returns the drivers' token, making it at the first start. It is never logged.
func ensureToken(path string) (string, error) {
	token, err := readToken(path)
	switch {
	case errors.Is(err, errTokenOpen):
		return "", fmt.Errorf("%w: run chmod 600 on it, or delete it and start the daemon for a new one", err)
	case errors.Is(err, errTokenDamaged):
		return "", fmt.Errorf("%w: delete it and start the daemon for a new one", err)
	case !errors.Is(err, fs.ErrNotExist):
		return token, err
	}
	token = rand.Text()
	if err := writeToken(path, token); err != nil {
		return "", fmt.Errorf("keep driver token: %w", err)
	}
	return token, nil
}

func writeToken(path, token string) error { return writeWhole(path, []byte(token+"\n")) }

// writeWhole leaves the whole content, or what was there before, whenever the power fails; the whole content once it has returned.
func writeWhole(path string, content []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+"-*") // mode 0600
	if err != nil {
		return err
	}
	return durable.Replace(path, f, content)
}

func readToken(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", fmt.Errorf("read driver token: %w", err)
	}
	// Windows has no such mode: there the directory's access list protects the file.
	if runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("%s %w (mode %04o)", path, errTokenOpen, info.Mode().Perm())
	}
	content, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("read driver token: %w", err)
	}
	token := bytes.TrimSpace(content)
	if !plainToken(token) {
		return "", fmt.Errorf("%s %w", path, errTokenDamaged)
	}
	return string(token), nil
}

func plainToken(token []byte) bool {
	if len(token) < shortestToken || len(token) > longestToken {
		return false
	}
	for _, c := range token {
		if (c < 'A' || c > 'Z') && (c < '2' || c > '7') {
			return false
		}
	}
	return true
}
