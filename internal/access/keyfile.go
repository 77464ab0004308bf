package access

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"swallowtail/internal/durable"
)

// keyFileVersion is raised when the meaning of the file changes; a server refuses a version it does not know.
const keyFileVersion = 1

// maxKeyFileSize, in bytes, is far above what a file with years of rotated keys needs.
const maxKeyFileSize = 1 << 20

// keyFile is the file as written. Byte slices are base64 in it.
type keyFile struct {
	Version int              `json:"version"`
	Secret  []byte           `json:"secret"`
	Signing []keyFileSigning `json:"signing_keys"`
}

type keyFileSigning struct {
	ID        string    `json:"kid"`
	CreatedAt time.Time `json:"created_at"`
	Seed      []byte    `json:"seed"` // RFC 8032, section 5.1.5: the 32-byte private key
}

// LoadOrCreateKeys reads the key file at path, or makes it from random when there is none. The file is readable by its
// owner alone; one that others can read is refused. When several processes start at once on the same path, one file
// is made and all of them get its keys. now is recorded as the creation time of a new signing key.
func LoadOrCreateKeys(path string, random io.Reader, now time.Time) (*Keys, error) {
	keys, err := loadKeys(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return keys, err
	}
	data, err := generateKeyFile(random, now)
	if err == nil {
		err = durable.Create(path, data)
	}
	if err != nil {
		return nil, fmt.Errorf("create key file: %w", err)
	}
	return loadKeys(path)
}

func loadKeys(path string) (*Keys, error) {
	data, err := readPrivate(path)
	if err != nil {
		return nil, fmt.Errorf("read key file: %w", err)
	}
	keys, err := parseKeyFile(data)
	if err != nil {
		return nil, fmt.Errorf("key file %s: %w", path, err)
	}
	return keys, nil
}

// readPrivate reads a file after making sure, on the opened file itself, that only its owner can.
func readPrivate(path string) ([]byte, error) {
	file, err := os.Open(path) //nolint:gosec // the path is the operator's choice
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }() // nothing was written
	info, err := file.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a regular file", path)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return nil, fmt.Errorf("%s is open to other users (mode %04o): run \"chmod 600 %s\"; "+
			"if somebody may have read it, stop the server, delete it and let everybody sign in again", path, mode, path)
	}
	return io.ReadAll(io.LimitReader(file, maxKeyFileSize))
}

func parseKeyFile(data []byte) (*Keys, error) {
	var file keyFile
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&file); err != nil {
		return nil, err
	}
	if file.Version != keyFileVersion {
		return nil, fmt.Errorf("version %d is not known, only %d", file.Version, keyFileVersion)
	}
	signing := make([]signingKey, 0, len(file.Signing))
	seen := map[string]bool{}
	for i, s := range file.Signing {
		if s.ID == "" || seen[s.ID] {
			return nil, fmt.Errorf("signing key %d: kid is empty or used twice", i)
		}
		if len(s.Seed) != ed25519.SeedSize {
			return nil, fmt.Errorf("signing key %d: seed has %d bytes, want %d", i, len(s.Seed), ed25519.SeedSize)
		}
		seen[s.ID] = true
		signing = append(signing, signingKey{id: s.ID, private: ed25519.NewKeyFromSeed(s.Seed)})
	}
	return newKeys(file.Secret, signing)
}

func generateKeyFile(random io.Reader, now time.Time) ([]byte, error) {
	secret, seed := make([]byte, secretSize), make([]byte, ed25519.SeedSize)
	for _, b := range [][]byte{secret, seed} {
		if _, err := io.ReadFull(random, b); err != nil {
			return nil, fmt.Errorf("read randomness: %w", err)
		}
	}
	id := thumbprint(publicKey(ed25519.NewKeyFromSeed(seed)))
	return json.MarshalIndent(keyFile{ //nolint:gosec // the key file is where the secret belongs
		Version: keyFileVersion,
		Secret:  secret,
		Signing: []keyFileSigning{{ID: id, CreatedAt: now.UTC(), Seed: seed}},
	}, "", "  ")
}
