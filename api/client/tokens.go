package client

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"sync"
)

// Pair is an access token and the refresh token for the next pair.
type Pair struct {
	Access    string `json:"access_token"`
	ExpiresIn int    `json:"expires_in"` // seconds until the access token expires
	Refresh   string `json:"refresh_token"`
}

// TokenDisk keeps the pair of tokens in use.
type TokenDisk interface {
	// LoadTokens returns the pair saved last, and the zero Pair when none was.
	LoadTokens() (Pair, error)
	// SaveTokens replaces the pair, as one change.
	SaveTokens(Pair) error
}

// MemoryTokens is a TokenDisk that lasts as long as the process. Not safe for concurrent use beyond what Tokens does.
type MemoryTokens struct {
	Pair Pair
}

var _ TokenDisk = (*MemoryTokens)(nil)

// LoadTokens never fails.
func (m *MemoryTokens) LoadTokens() (Pair, error) { return m.Pair, nil }

// SaveTokens never fails.
func (m *MemoryTokens) SaveTokens(p Pair) error {
	m.Pair = p
	return nil
}

// FileTokens is a TokenDisk in one file, readable by its owner only.
type FileTokens struct {
	Path string // in a directory that exists
}

var _ TokenDisk = FileTokens{}

// LoadTokens fails when the file cannot be read or holds something else.
func (f FileTokens) LoadTokens() (Pair, error) {
	var p Pair
	if err := loadFile(f.Path, &p); err != nil {
		return Pair{}, fmt.Errorf("load tokens: %w", err)
	}
	return p, nil
}

// SaveTokens fails when the file system does; the old pair then stands.
func (f FileTokens) SaveTokens(p Pair) error {
	if err := saveFile(f.Path, p); err != nil {
		return fmt.Errorf("save tokens: %w", err)
	}
	return nil
}

// Tokens hands out the access token and renews the pair when it is refused. Safe for concurrent use.
type Tokens struct {
	disk    TokenDisk
	refresh func(ctx context.Context, refreshToken string) (Pair, error)

	mu   sync.Mutex
	pair Pair
}

// OpenTokens reads the pair in use. refresh exchanges a refresh token for a new pair, as API.Refresh does.
func OpenTokens(disk TokenDisk, refresh func(ctx context.Context, refreshToken string) (Pair, error)) (*Tokens, error) {
	pair, err := disk.LoadTokens()
	if err != nil {
		return nil, err
	}
	return &Tokens{disk: disk, refresh: refresh, pair: pair}, nil
}

// Access returns the access token in use.
func (t *Tokens) Access() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.pair.Access
}

// Do runs a call with the access token. When it fails with a Problem of status 401 the pair is refreshed and the call
// run once more.
func (t *Tokens) Do(ctx context.Context, call func(access string) error) error {
	access := t.Access()
	err := call(access)
	if p := AsProblem(err); p == nil || p.Status != http.StatusUnauthorized {
		return err
	}
	access, err = t.renew(ctx, access)
	if err != nil {
		return err
	}
	return call(access)
}

// renew returns another access token than the refused one. Of several calls refused at once only the first refreshes.
// A refresh token works once, so the new pair is saved before it is used; if it cannot be saved the old one stays, with
// which the server lets a retry through for a minute.
func (t *Tokens) renew(ctx context.Context, refused string) (string, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.pair.Access != refused {
		return t.pair.Access, nil
	}
	pair, err := t.exchange(ctx)
	if err != nil {
		return "", fmt.Errorf("refresh tokens: %w", err)
	}
	if err := t.disk.SaveTokens(pair); err != nil {
		return "", fmt.Errorf("keep the new tokens: %w", err)
	}
	t.pair = pair
	return pair.Access, nil
}

// exchange tries at once again when no answer came: the token may be spent, and only a quick retry is let through.
func (t *Tokens) exchange(ctx context.Context) (Pair, error) {
	pair, err := t.refresh(ctx, t.pair.Refresh)
	if err == nil || AsProblem(err) != nil || ctx.Err() != nil {
		return pair, err
	}
	again, second := t.refresh(ctx, t.pair.Refresh)
	if second != nil {
		return Pair{}, errors.Join(err, second)
	}
	return again, nil
}
