package api

import (
	"context"
	"net/http"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
)

// AddReminderAddress adds an address of the caregiver who asks.
func (s *server) AddReminderAddress(ctx context.Context, r oas.AddReminderAddressRequestObject) (oas.AddReminderAddressResponseObject, error) {
	a, err := s.Service.AddReminderAddress(ctx, caller(ctx), clinic.NewAddress{
		Channel: string(r.Body.Channel), To: r.Body.To, Wanted: wantedIn(r.Body.Kinds, r.Body.Weekdays, r.Body.QuietHours),
	}, s.Now())
	return oas.AddReminderAddress201JSONResponse(reminderAddressOf(&a)), err
}

// wantedIn returns nil lists where nothing was given, which stands for all.
func wantedIn(kinds []oas.WantedKind, weekdays []oas.Weekday, quiet *oas.QuietHours) clinic.WantedInput {
	w := clinic.WantedInput{Kinds: textsOf(kinds), Weekdays: weekdays}
	if quiet != nil {
		w.Quiet = &clinic.QuietInput{From: quiet.From, Until: quiet.Until, Timezone: quiet.Timezone}
	}
	return w
}

func reminderAddressOf(a *clinic.Address) oas.ReminderAddress {
	doc := oas.ReminderAddress{
		ID: a.ID.String(), Channel: oas.Channel(a.Channel), To: a.To, Kinds: []oas.WantedKind{}, Weekdays: append([]oas.Weekday{}, a.Wanted.Weekdays...),
		CreatedAt: a.Created.UTC(), VerifiedAt: instantOrNull(a.Verified), FailingSince: instantOrNull(a.Failing),
		CodeAskedAt: instantOrNull(a.Code.Asked),
	}
	for _, kind := range a.Wanted.Kinds {
		doc.Kinds = append(doc.Kinds, oas.WantedKind(kind))
	}
	if w := a.Wanted; w.Timezone != "" && w.QuietFrom != w.QuietUntil {
		doc.QuietHours = &oas.QuietHours{From: w.QuietFrom.String(), Until: w.QuietUntil.String(), Timezone: w.Timezone}
	}
	return doc
}

// ListReminderAddresses lists the addresses of the caregiver who asks.
func (s *server) ListReminderAddresses(ctx context.Context, _ oas.ListReminderAddressesRequestObject) (oas.ListReminderAddressesResponseObject, error) {
	addresses, err := s.Service.ReminderAddresses(ctx, caller(ctx), s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.ListReminderAddresses200JSONResponse{Addresses: []oas.ReminderAddress{}}
	for i := range addresses {
		doc.Addresses = append(doc.Addresses, reminderAddressOf(&addresses[i]))
	}
	return doc, nil
}

// SendAddressCode has a code sent to an address.
func (s *server) SendAddressCode(ctx context.Context, r oas.SendAddressCodeRequestObject) (oas.SendAddressCodeResponseObject, error) {
	id, err := pathID(r.Address)
	if err != nil {
		return nil, err
	}
	a, err := s.Service.SendAddressCode(ctx, caller(ctx), id, s.Now())
	return oas.SendAddressCode200JSONResponse(reminderAddressOf(&a)), err
}

// VerifyReminderAddress verifies an address by the code that was sent there.
func (s *server) VerifyReminderAddress(ctx context.Context, r oas.VerifyReminderAddressRequestObject) (oas.VerifyReminderAddressResponseObject, error) {
	id, err := pathID(r.Address)
	if err != nil {
		return nil, err
	}
	a, err := s.Service.VerifyReminderAddress(ctx, caller(ctx), id, r.Body.Code, s.Now())
	return oas.VerifyReminderAddress200JSONResponse(reminderAddressOf(&a)), err
}

// SetReminderWanted replaces what is wanted at an address.
func (s *server) SetReminderWanted(ctx context.Context, r oas.SetReminderWantedRequestObject) (oas.SetReminderWantedResponseObject, error) {
	id, err := pathID(r.Address)
	if err != nil {
		return nil, err
	}
	wanted := wantedIn(r.Body.Kinds, r.Body.Weekdays, r.Body.QuietHours)
	a, err := s.Service.SetReminderWanted(ctx, caller(ctx), id, wanted, s.Now())
	return oas.SetReminderWanted200JSONResponse(reminderAddressOf(&a)), err
}

// RemoveReminderAddress removes an address.
func (s *server) RemoveReminderAddress(ctx context.Context, r oas.RemoveReminderAddressRequestObject) (oas.RemoveReminderAddressResponseObject, error) {
	id, err := pathID(r.Address)
	if err != nil {
		return nil, err
	}
	return oas.RemoveReminderAddress204Response{}, s.Service.RemoveReminderAddress(ctx, caller(ctx), id, s.Now())
}

// The pages of the way out. They say nothing of anybody, and need nothing from anywhere.
const (
	pageHead = `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Messages</title>
</head>
<body>
<main>
`
	pageFoot = `</main>
</body>
</html>
`
	askPage = pageHead + `<h1>Stop these messages?</h1>
<form method="post"><button type="submit">Stop these messages</button></form>
` + pageFoot
	stoppedPage = pageHead + `<h1>You will get no more of these.</h1>
` + pageFoot
)

const htmlKind = "text/html; charset=utf-8"

// buttonPage is a page whose form may be sent to us.
type buttonPage struct{ answer }

// VisitShowUnsubscribeResponse implements oas.ShowUnsubscribeResponseObject.
func (p buttonPage) VisitShowUnsubscribeResponse(w http.ResponseWriter) error {
	w.Header().Set("Content-Security-Policy", buttonPolicy)
	return p.write(w)
}

func (a answer) VisitUnsubscribeResponse(w http.ResponseWriter) error { return a.write(w) }

// ShowUnsubscribe asks whether messages are to stop. Programs that look mail through follow every link, so it looks nothing up.
func (s *server) ShowUnsubscribe(_ context.Context, r oas.ShowUnsubscribeRequestObject) (oas.ShowUnsubscribeResponseObject, error) {
	if !secretForm.MatchString(r.Token) {
		return nil, clinic.ErrNotThere
	}
	return buttonPage{answer{status: http.StatusOK, body: []byte(askPage), kind: htmlKind}}, nil
}

// Unsubscribe ends the messages to an address (RFC 8058).
func (s *server) Unsubscribe(ctx context.Context, r oas.UnsubscribeRequestObject) (oas.UnsubscribeResponseObject, error) {
	if !secretForm.MatchString(r.Token) {
		return nil, clinic.ErrNotThere
	}
	if err := s.Service.Unsubscribe(ctx, r.Token, s.Now()); err != nil {
		return nil, err
	}
	return answer{status: http.StatusOK, body: []byte(stoppedPage), kind: htmlKind}, nil
}
