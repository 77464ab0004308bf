package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// headDoc is how far a clinic's audit trail goes.
type headDoc struct {
	Clinic uuid.UUID `json:"clinic"`
	Seq    int64     `json:"seq"`
	Hash   string    `json:"hash"`
}

type headsDoc struct {
	Heads []headDoc `json:"heads"`
}

func headsOf(heads []audit.Head) headsDoc {
	doc := headsDoc{Heads: []headDoc{}}
	for _, h := range heads {
		doc.Heads = append(doc.Heads, headDoc{Clinic: h.Clinic, Seq: h.Seq, Hash: hex.EncodeToString(h.Hash[:])})
	}
	return doc
}

// auditHeads prints how far each trail goes, once it has been followed to there.
func auditHeads(ctx context.Context, c *call) error {
	set, db := c.flags()
	if err := c.parse(set); err != nil {
		return err
	}
	report, err := c.verifyAudit(ctx, *db, nil)
	if err != nil {
		return err
	}
	if len(report.Faults) > 0 {
		return c.sayFaults(report.Faults)
	}
	return c.print(headsOf(report.Heads))
}

// auditVerify follows each trail, and looks whether heads that were kept elsewhere are on it.
func auditVerify(ctx context.Context, c *call) error {
	set, db := c.flags()
	file := set.String("heads", "", "a file that audit heads printed earlier; - for standard input")
	if err := c.parse(set); err != nil {
		return err
	}
	known, err := c.readHeads(*file)
	if err != nil {
		return err
	}
	report, err := c.verifyAudit(ctx, *db, known)
	if err != nil {
		return err
	}
	if err := c.print(headsOf(report.Heads)); err != nil {
		return err
	}
	if len(report.Faults) > 0 {
		return c.sayFaults(report.Faults)
	}
	if *file == "" {
		fmt.Fprintln(c.err, "Each trail holds together. Whether one was written anew as a whole shows against heads that were kept "+
			"elsewhere: --heads FILE.")
	}
	return nil
}

func (c *call) verifyAudit(ctx context.Context, db string, known []audit.Head) (clinic.AuditReport, error) {
	log := logger(c.streams, 0)
	d, err := namedDatabase(db)
	if err != nil {
		return clinic.AuditReport{}, err
	}
	store, err := openThere(ctx, d, log)
	if err != nil {
		return clinic.AuditReport{}, err
	}
	report, err := clinic.New(clinic.Config{Store: store, NewID: newID, Log: log}).VerifyAudit(ctx, known)
	return report, errors.Join(err, store.Close())
}

func (c *call) sayFaults(faults []clinic.AuditFault) error {
	for _, f := range faults {
		fmt.Fprintf(c.err, "clinic %s: %s\n", f.Clinic, f.What)
	}
	return fmt.Errorf("the audit trail is not as it was written (%d)", len(faults))
}

// maxHeads bounds a file of heads, in octets.
const maxHeads = 16 << 20

func (c *call) readHeads(file string) (known []audit.Head, err error) {
	if file == "" {
		return nil, nil
	}
	from := c.in
	if file != "-" {
		opened, err := os.Open(filepath.Clean(file))
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, opened.Close()) }()
		from = opened
	}
	raw, err := io.ReadAll(io.LimitReader(from, maxHeads))
	if err != nil {
		return nil, fmt.Errorf("read heads: %w", err)
	}
	var doc headsDoc
	if err := json.Unmarshal(raw, &doc, json.RejectUnknownMembers(true)); err != nil {
		return nil, fmt.Errorf("read heads: %w", err)
	}
	for _, h := range doc.Heads {
		head := audit.Head{Clinic: h.Clinic, Seq: h.Seq}
		hash, err := hex.DecodeString(h.Hash)
		if err != nil || len(hash) != len(head.Hash) {
			return nil, fmt.Errorf("read heads: clinic %s: the hash is not 64 hexadecimal digits", h.Clinic)
		}
		copy(head.Hash[:], hash)
		known = append(known, head)
	}
	return known, nil
}
