package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"reflect"
)

// What database/sql does for each statement and each column takes as long as what SQLite does for it. So it only looks after the
// connections here: a transaction speaks to the driver's itself.

// driverConn is what the driver's connections can do.
type driverConn interface {
	driver.Conn
	driver.ConnPrepareContext
	driver.ConnBeginTx
	driver.ExecerContext
	driver.QueryerContext
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

type driverStmt interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

// connector opens connections that keep their statements.
type connector struct{ driver.Connector }

// Connect implements driver.Connector.
func (c connector) Connect(ctx context.Context) (driver.Conn, error) {
	opened, err := c.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	conn, ok := opened.(driverConn)
	if !ok {
		return nil, errors.Join(fmt.Errorf("the driver's %T can't be used", opened), opened.Close())
	}
	return &connection{driverConn: conn, statements: map[string]driverStmt{}}, nil
}

// connection is a connection and the statements that were prepared on it, by their texts.
type connection struct {
	driverConn
	statements map[string]driverStmt
	values     []driver.NamedValue // room for those of one statement, which has them only while it begins
}

// Close implements driver.Conn.
func (c *connection) Close() error {
	var err error
	for _, stmt := range c.statements {
		err = errors.Join(err, stmt.Close())
	}
	clear(c.statements)
	return errors.Join(err, c.driverConn.Close())
}

// prepared returns a statement, which it prepares the first time.
func (c *connection) prepared(ctx context.Context, text string) (driverStmt, error) {
	if stmt, ok := c.statements[text]; ok {
		return stmt, nil
	}
	opened, err := c.PrepareContext(ctx, text)
	if err != nil {
		return nil, err
	}
	stmt, ok := opened.(driverStmt)
	if !ok {
		return nil, errors.Join(fmt.Errorf("the driver's %T can't be used", opened), opened.Close())
	}
	c.statements[text] = stmt
	return stmt, nil
}

// transaction is a transaction of the database, and the connection that it has until it ends.
type transaction struct {
	pool  *pool
	conn  *sql.Conn
	on    *connection
	tx    driver.Tx
	ended bool
}

// take takes a free connection, waiting for one, and begins what is wanted on it.
func (p *pool) take(ctx context.Context, begin func(t *transaction) error) (*transaction, error) {
	conn, err := p.conn(ctx)
	if err != nil {
		return nil, err
	}
	t := &transaction{pool: p, conn: conn}
	// Nobody else has it until it is given back.
	err = conn.Raw(func(raw any) error {
		on, ok := raw.(*connection)
		if !ok {
			return fmt.Errorf("a %T can't be used", raw)
		}
		t.on = on
		return begin(t)
	})
	if err != nil {
		return nil, errors.Join(err, t.giveBack())
	}
	return t, nil
}

// conn takes a connection. Whoever has waited longest is the first to get one: database/sql draws lots among those who wait, and with many
// of them some wait several times as long as most.
func (p *pool) conn(ctx context.Context) (*sql.Conn, error) {
	select {
	case p.taken <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	conn, err := p.db.Conn(ctx)
	if err != nil {
		<-p.taken
	}
	return conn, err
}

func (t *transaction) giveBack() error {
	err := t.conn.Close()
	<-t.pool.taken
	return err
}

// beginOn begins a transaction on a free connection, waiting for one.
func (p *pool) beginOn(ctx context.Context, readOnly bool) (*transaction, error) {
	return p.take(ctx, func(t *transaction) (err error) {
		if readOnly {
			ctx = context.WithoutCancel(ctx) // it takes no lock yet, so that nobody need watch whether the context ends
		}
		t.tx, err = t.on.BeginTx(ctx, driver.TxOptions{ReadOnly: readOnly})
		return err
	})
}

func (t *transaction) commit() error {
	t.ended = true
	return errors.Join(t.tx.Commit(), t.giveBack())
}

// rollBack ends the transaction, unless it has ended.
func (t *transaction) rollBack() error {
	if t.ended {
		return nil
	}
	t.ended = true
	err := t.tx.Rollback()
	if err != nil {
		// It may still be in the transaction, so nobody is to have it again. This is how to say so.
		err = errors.Join(err, t.conn.Raw(func(any) error { return driver.ErrBadConn }))
	}
	return errors.Join(err, t.giveBack())
}

// bound returns lists of values, one behind the other, as a statement takes them. Whoever has given them to one clears them.
func (c *connection) bound(lists [][]any) ([]driver.NamedValue, error) {
	c.values = c.values[:0]
	for _, list := range lists {
		for _, arg := range list {
			value, err := driver.DefaultParameterConverter.ConvertValue(arg)
			if err != nil {
				return nil, fmt.Errorf("bind value %d: %w", len(c.values)+1, err)
			}
			c.values = append(c.values, driver.NamedValue{Ordinal: len(c.values) + 1, Value: value})
		}
	}
	return c.values, nil
}

// row is what a query found.
type row []driver.Value

// Scan implements scanner. It reads as sql.Rows does, but for what SQLite never gives: it takes no number for a text, and no text
// for a number.
func (r row) Scan(places ...any) error {
	if len(places) != len(r) {
		return fmt.Errorf("read %d columns from %d", len(places), len(r))
	}
	for i, place := range places {
		if err := assign(place, r[i]); err != nil {
			return fmt.Errorf("read column %d: %w", i+1, err)
		}
	}
	return nil
}

func assign(place any, value driver.Value) error {
	if place, ok := place.(sql.Scanner); ok {
		return place.Scan(value)
	}
	to := reflect.ValueOf(place).Elem()
	switch value := value.(type) {
	case int64:
		if assignNumber(to, value) {
			return nil
		}
	case string:
		if to.Kind() == reflect.String {
			to.SetString(value)
			return nil
		}
	case []byte:
		if isBytes(to) {
			to.SetBytes(value)
			return nil
		}
	case nil:
		if isBytes(to) {
			to.SetZero()
			return nil
		}
	}
	return fmt.Errorf("read %T from %T", place, value)
}

func assignNumber(to reflect.Value, value int64) bool {
	switch {
	case to.CanInt() && !to.OverflowInt(value):
		to.SetInt(value)
	case to.CanUint() && value >= 0 && !to.OverflowUint(uint64(value)):
		to.SetUint(uint64(value))
	case to.Kind() == reflect.Bool && (value == 0 || value == 1):
		to.SetBool(value == 1)
	default:
		return false
	}
	return true
}

func isBytes(v reflect.Value) bool {
	return v.Kind() == reflect.Slice && v.Type().Elem().Kind() == reflect.Uint8
}
