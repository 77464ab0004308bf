package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// keyDoc is a signing key as an operator sees it, without its secret.
type keyDoc struct {
	ID            string    `json:"kid"`
	CreatedAt     time.Time `json:"created_at"`
	Signs         bool      `json:"signs"`
	VerifiesUntil time.Time `json:"verifies_until,omitzero"` // none while it signs
}

func (c *call) printKeys(keys []access.KeyInfo) error {
	docs := make([]keyDoc, 0, len(keys))
	for _, k := range keys {
		docs = append(docs, keyDoc{ID: k.ID, CreatedAt: k.Created.UTC(), Signs: k.Signs, VerifiesUntil: k.VerifiesUntil.UTC()})
	}
	return c.print(map[string][]keyDoc{"keys": docs})
}

// listKeys reads the key file alone: no database need be there.
func listKeys(_ context.Context, c *call) error {
	set, db := c.flags()
	if err := c.parse(set); err != nil {
		return err
	}
	d, err := namedDatabase(*db)
	if err != nil {
		return err
	}
	file, err := c.keyFile(d)
	if err != nil {
		return err
	}
	keys, err := access.LoadKeys(file)
	if err != nil {
		return err
	}
	return c.printKeys(keys.List())
}

func rotateKeys(ctx context.Context, c *call) error {
	set, db := c.flags()
	var grace *time.Duration
	set.Func("grace", "how long the former keys go on verifying, such as `24h`; 0s ends all of their tokens at once. If it is not "+
		"given: until the last token has expired that they may have signed", func(text string) error {
		given, err := time.ParseDuration(text)
		grace = &given
		return err
	})
	if err := c.parse(set); err != nil {
		return err
	}
	return c.withHouse(ctx, *db, func(h *house, now time.Time) error {
		done, err := h.service.RotateKeys(ctx, grace, now)
		if err != nil {
			return plainly(err)
		}
		c.sayRotated(done)
		return c.printKeys(done.Keys)
	})
}

// sayRotated tells people what a rotation means to them.
func (c *call) sayRotated(done clinic.KeyRotation) {
	fmt.Fprintf(c.err, "%s signs from now on; running servers take it up within seconds.\n", done.Keys[0].ID)
	for _, k := range done.Keys[1:] {
		fmt.Fprintf(c.err, "%s verifies until %s.\n", k.ID, k.VerifiesUntil.UTC().Format(time.RFC3339))
	}
	for _, k := range done.Dropped {
		fmt.Fprintf(c.err, "%s verifies nothing any more.\n", k.ID)
	}
	if len(done.Cut) == 0 {
		return
	}
	fmt.Fprintln(c.err, "These tokens of programs stop working before they expire; issue others with token issue:")
	for _, t := range done.Cut {
		fmt.Fprintf(c.err, "  %s of clinic %s, from %s\n", t.ID, t.Clinic, t.At.UTC().Format(time.RFC3339))
	}
}

// keysLookedAt is how often a server looks whether its key file has been rotated.
const keysLookedAt = 2 * time.Second

// lookAtKeys takes up rotated keys, until ctx ends.
func (h *house) lookAtKeys(ctx context.Context) {
	ticker := time.NewTicker(keysLookedAt)
	defer ticker.Stop()
	signer, trouble := h.keys.List()[0].ID, ""
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		said := ""
		if err := h.keys.Reload(); err != nil {
			said = err.Error()
		}
		if said != "" && said != trouble {
			h.log.WarnContext(ctx, "can't take up the key file, and go on with the keys read before", slog.String("error", said))
		}
		trouble = said
		// A token under the new key may have made us take it up already.
		if now := h.keys.List()[0].ID; now != signer {
			signer = now
			h.log.InfoContext(ctx, "took up rotated keys", slog.String("kid", signer))
		}
	}
}
