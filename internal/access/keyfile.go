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

// keyFileVersion is raised when the meaning of the file changes; a server refuses a version it does not know. Version 1 knew no
// end of a key: all that it lists verify, without end. It is read still.
const keyFileVersion = 2

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
	// VerifyUntil is the instant from which the key verifies nothing. The first key, which signs, has none.
	VerifyUntil time.Time `json:"verify_until,omitzero"`
	Seed        []byte    `json:"seed"` // RFC 8032, section 5.1.5: the 32-byte private key
}

// LoadOrCreateKeys reads the key file at path, or makes it from random when there is none. The file is readable by its
// owner alone; one that others can read is refused. When several processes start at once on the same path, one file
// is made and all of them get its keys. now is recorded as the creation time of a new signing key.
func LoadOrCreateKeys(path string, random io.Reader, now time.Time) (*Keys, error) {
	keys, err := LoadKeys(path)
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
	return LoadKeys(path)
}

// LoadKeys reads the key file at path, as LoadOrCreateKeys does, but makes none: an fs.ErrNotExist tells that there is none. It
// writes nothing.
func LoadKeys(path string) (*Keys, error) {
	data, info, err := readPrivate(path)
	if err != nil {
		return nil, fmt.Errorf("read key file: %w", err)
	}
	keys, err := parseKeyFile(path, data, info)
	if err != nil {
		return nil, fmt.Errorf("key file %s: %w", path, err)
	}
	return keys, nil
}

// readPrivate reads a file after making sure, on the opened file itself, that only its owner can.
func readPrivate(path string) ([]byte, fs.FileInfo, error) {
	file, err := os.Open(path) //nolint:gosec // the path is the operator's choice
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = file.Close() }() // nothing was written
	info, err := file.Stat()
	if err != nil {
		return nil, nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("%s is not a regular file", path)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return nil, nil, fmt.Errorf("%s is open to other users (mode %04o): run \"chmod 600 %s\"; "+
			"if somebody may have read it, stop the server, delete it and let everybody sign in again", path, mode, path)
	}
	data, err := io.ReadAll(io.LimitReader(file, maxKeyFileSize))
	return data, info, err
}

func parseKeyFile(path string, data []byte, info fs.FileInfo) (*Keys, error) {
	file, err := decodeKeyFile(data)
	if err != nil {
		return nil, err
	}
	ring := &keyRing{file: info}
	for _, s := range file.Signing {
		ring.signing = append(ring.signing, signingKey{
			id: s.ID, created: s.CreatedAt, until: s.VerifyUntil, private: ed25519.NewKeyFromSeed(s.Seed),
		})
	}
	return newKeys(path, file.Secret, ring)
}

// decodeKeyFile reads a key file of a version that is known, in which everything must be as that version has it.
func decodeKeyFile(data []byte) (keyFile, error) {
	var file keyFile
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&file); err != nil {
		return keyFile{}, err
	}
	if file.Version < 1 || file.Version > keyFileVersion {
		return keyFile{}, fmt.Errorf("version %d is not known, only 1 to %d", file.Version, keyFileVersion)
	}
	if len(file.Signing) == 0 {
		return keyFile{}, errors.New("no signing key")
	}
	seen := map[string]bool{}
	for i, s := range file.Signing {
		if err := s.check(i == 0, file.Version); err != nil {
			return keyFile{}, fmt.Errorf("signing key %d: %w", i, err)
		}
		if seen[s.ID] {
			return keyFile{}, fmt.Errorf("signing key %d: kid is used twice", i)
		}
		seen[s.ID] = true
	}
	return file, nil
}

func (s keyFileSigning) check(signs bool, version int) error {
	ends := !s.VerifyUntil.IsZero()
	switch {
	case s.ID == "":
		return errors.New("kid is empty")
	case len(s.Seed) != ed25519.SeedSize:
		return fmt.Errorf("seed has %d bytes, want %d", len(s.Seed), ed25519.SeedSize)
	case ends && (signs || version == 1):
		return errors.New("verify_until must not be given")
	case !ends && !signs && version > 1:
		return errors.New("verify_until is missing")
	}
	return nil
}

func generateKeyFile(random io.Reader, now time.Time) ([]byte, error) {
	secret := make([]byte, secretSize)
	if _, err := io.ReadFull(random, secret); err != nil {
		return nil, fmt.Errorf("read randomness: %w", err)
	}
	signing, err := newSigning(random, now)
	if err != nil {
		return nil, err
	}
	return json.MarshalIndent(keyFile{ //nolint:gosec // the key file is where the secret belongs
		Version: keyFileVersion, Secret: secret, Signing: []keyFileSigning{signing},
	}, "", "  ")
}

// newSigning makes a signing key from random.
func newSigning(random io.Reader, now time.Time) (keyFileSigning, error) {
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(random, seed); err != nil {
		return keyFileSigning{}, fmt.Errorf("read randomness: %w", err)
	}
	id := thumbprint(publicKey(ed25519.NewKeyFromSeed(seed)))
	return keyFileSigning{ID: id, CreatedAt: now.UTC().Truncate(time.Millisecond), Seed: seed}, nil
}
