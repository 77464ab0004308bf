package api

import (
	"context"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"

	"swallowtail/api/oas"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// CreateHousehold opens a household.
func (s *server) CreateHousehold(ctx context.Context, r oas.CreateHouseholdRequestObject) (oas.CreateHouseholdResponseObject, error) {
	h, err := s.Service.CreateHousehold(ctx, caller(ctx), r.Body.Label, s.Now())
	return oas.CreateHousehold201JSONResponse{ID: h.ID.String()}, err
}

// ListHouseholds lists the clinic's households.
func (s *server) ListHouseholds(ctx context.Context, r oas.ListHouseholdsRequestObject) (oas.ListHouseholdsResponseObject, error) {
	limit, err := pageLimit(r.Params.Limit)
	if err != nil {
		return nil, err
	}
	after, err := s.idCursor(householdCursor, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	households, err := s.Service.Households(ctx, caller(ctx), clinic.Page{After: after, Limit: limit + 1}, s.Now())
	if err != nil {
		return nil, err
	}
	page := oas.ListHouseholds200JSONResponse{Households: []oas.HouseholdItem{}}
	for i, h := range households {
		if i == limit {
			page.Cursor = s.sealID(householdCursor, households[limit-1].ID)
			break
		}
		page.Households = append(page.Households, oas.HouseholdItem{ID: h.ID.String(), Label: h.Label})
	}
	return page, nil
}

// GetHousehold gives one household with its people and devices.
func (s *server) GetHousehold(ctx context.Context, r oas.GetHouseholdRequestObject) (oas.GetHouseholdResponseObject, error) {
	id, err := pathID(r.Household)
	if err != nil {
		return nil, err
	}
	d, err := s.Service.HouseholdDetail(ctx, caller(ctx), id, s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.GetHousehold200JSONResponse{
		ID: d.ID.String(), Label: d.Label, Learners: []oas.LearnerCard{}, Caregivers: []oas.Caregiver{},
	}
	for _, l := range d.Learners {
		card := served.CardOf(l.ID, l.Nickname, l.BirthMonth, s.Now())
		doc.Learners = append(doc.Learners, oas.LearnerCard{ID: card.ID.String(), Nickname: card.Nickname, AgeBand: card.AgeBand})
	}
	for _, p := range d.Caregivers {
		doc.Caregivers = append(doc.Caregivers, caregiverOf(p, d.Devices))
	}
	return doc, nil
}

func caregiverOf(p clinic.Person, devices []clinic.Device) oas.Caregiver {
	c := oas.Caregiver{
		ID: p.ID.String(), Name: p.Name, Devices: []oas.Device{},
		Consent: consentOf(clinic.ConsentOf(&p)),
	}
	for _, d := range devices {
		if d.Caregiver == p.ID {
			c.Devices = append(c.Devices, deviceOf(d))
		}
	}
	return c
}

func deviceOf(d clinic.Device) oas.Device {
	return oas.Device{
		ID: d.ID.String(), Name: d.Name, Platform: d.Platform, EnrolledAt: d.Enrolled,
		LastHeardAt: instantOrNull(d.Heard), RevokedAt: instantOrNull(d.Revoked),
	}
}

func instantOrNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// CreateInvite issues an invite code.
func (s *server) CreateInvite(ctx context.Context, r oas.CreateInviteRequestObject) (oas.CreateInviteResponseObject, error) {
	id, err := pathID(r.Household)
	if err != nil {
		return nil, err
	}
	var named *string
	if r.Body != nil {
		named = r.Body.CaregiverID
	}
	caregiver, err := bodyID(named, "/caregiver_id")
	if err != nil {
		return nil, err
	}
	invite, err := s.Service.CreateInvite(ctx, caller(ctx), id, caregiver, s.Now())
	return oas.CreateInvite201JSONResponse{
		InviteCode: invite.Code, ShortCode: invite.Short, Link: textOrNil(invite.Link), QrText: invite.QRText(), ExpiresAt: invite.Expires,
	}, err
}

// RevokeDevice ends what a device may read.
func (s *server) RevokeDevice(ctx context.Context, r oas.RevokeDeviceRequestObject) (oas.RevokeDeviceResponseObject, error) {
	id, err := pathID(r.Device)
	if err != nil {
		return nil, err
	}
	return oas.RevokeDevice204Response{}, s.Service.RevokeDevice(ctx, caller(ctx), id, s.Now())
}

// CreateLearner adds a learner to a household.
func (s *server) CreateLearner(ctx context.Context, r oas.CreateLearnerRequestObject) (oas.CreateLearnerResponseObject, error) {
	id, err := pathID(r.Household)
	if err != nil {
		return nil, err
	}
	n := clinic.NewLearner{Nickname: r.Body.Nickname, BirthMonth: textOr(r.Body.BirthMonth)}
	l, err := s.Service.CreateLearner(ctx, caller(ctx), id, n, s.Now())
	return oas.CreateLearner201JSONResponse{ID: l.ID.String()}, err
}

// RecordScreening records a screening.
func (s *server) RecordScreening(ctx context.Context, r oas.RecordScreeningRequestObject) (oas.RecordScreeningResponseObject, error) {
	learner, err := pathID(r.Learner)
	if err != nil {
		return nil, err
	}
	n := clinic.NewScreening{Answers: r.Body.Answers, Decision: string(r.Body.Decision), Note: textOr(r.Body.Note)}
	record, err := s.Service.RecordScreening(ctx, caller(ctx), learner, n, s.Now())
	return oas.RecordScreening201JSONResponse{
		ID: record.ID.String(), LearnerID: learner.String(), Answers: record.Answers, Decision: oas.Decision(record.Decision),
		Note: r.Body.Note, RecordedAt: record.At, RecordedBy: record.By.String(),
	}, err
}

// CreateEnrolment puts a learner on a plan.
func (s *server) CreateEnrolment(ctx context.Context, r oas.CreateEnrolmentRequestObject) (oas.CreateEnrolmentResponseObject, error) {
	learner, err := pathID(r.Learner)
	if err != nil {
		return nil, err
	}
	plan, err := bodyID(r.Body.PlanID, "/plan_id")
	if err != nil {
		return nil, err
	}
	n := clinic.NewEnrolment{
		Plan: plan, FirstNight: r.Body.FirstNight, Timezone: r.Body.Timezone, ReminderAt: r.Body.ReminderTime,
		Positions: positionsIn(r.Body.Positions), Target: targetIn(r.Body.Target),
	}
	d, err := s.Service.CreateEnrolment(ctx, caller(ctx), learner, n, s.Now())
	if err != nil {
		return nil, err
	}
	doc, err := enrolmentOf(d)
	return oas.CreateEnrolment201JSONResponse(doc), err
}

func targetIn(t *oas.Target) *clinic.Target {
	if t == nil {
		return nil
	}
	target := clinic.Target{CapsuleSize: textOr(t.CapsuleSize)}
	take(&target.LengthMM, t.LengthMm)
	take(&target.WidthMM, t.WidthMm)
	return &target
}

func enrolmentOf(d clinic.EnrolmentDetail) (oas.Enrolment, error) {
	doc := oas.Enrolment{
		ID: d.ID.String(), LearnerID: d.Learner.String(), Plan: planOf(d.Plan), FirstNight: d.FirstNight.String(), Timezone: d.Timezone,
		ReminderTime: d.ReminderAt.String(), Positions: positionsOut(d.Positions), Status: oas.EnrolmentStatus(d.Status),
	}
	if d.Status == clinic.Ended {
		doc.EndedOn = nightOrNull(&d.EndedOn)
	}
	if len(d.Target) > 0 {
		doc.Target = &oas.Target{}
		if err := json.Unmarshal(d.Target, doc.Target); err != nil {
			return oas.Enrolment{}, fmt.Errorf("read target of enrolment %s: %w", d.ID, err)
		}
	}
	return doc, nil
}

func nightOrNull(n *practice.Night) *string {
	if n == nil {
		return nil
	}
	text := n.String()
	return &text
}

// SetEnrolmentStatus pauses, resumes or ends an enrolment.
func (s *server) SetEnrolmentStatus(ctx context.Context, r oas.SetEnrolmentStatusRequestObject) (oas.SetEnrolmentStatusResponseObject, error) {
	id, err := pathID(r.Enrolment)
	if err != nil {
		return nil, err
	}
	d, err := s.Service.SetEnrolmentStatus(ctx, caller(ctx), id, string(r.Body.Status), textOr(r.Body.Note), s.Now())
	if err != nil {
		return nil, err
	}
	doc, err := enrolmentOf(d)
	return oas.SetEnrolmentStatus200JSONResponse(doc), err
}

// GetOwnHousehold gives the device's own household. Nothing of a target is in it.
func (s *server) GetOwnHousehold(ctx context.Context, _ oas.GetOwnHouseholdRequestObject) (oas.GetOwnHouseholdResponseObject, error) {
	p := caller(ctx)
	own, err := s.Service.OwnHousehold(ctx, p, s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.GetOwnHousehold200JSONResponse{
		Household: oas.HouseholdItem{ID: own.ID.String(), Label: own.Label},
		Learners:  []oas.OwnLearner{}, Caregivers: []oas.CaregiverCard{}, You: youOf(p),
	}
	for _, c := range own.Caregivers {
		doc.Caregivers = append(doc.Caregivers, oas.CaregiverCard{ID: c.ID.String(), Name: c.Name})
	}
	for _, l := range own.Learners {
		doc.Learners = append(doc.Learners, ownLearnerOf(l, s.Now()))
	}
	return doc, nil
}

func youOf(p access.Principal) oas.You {
	return oas.You{CaregiverID: p.CaregiverID.String(), DeviceID: p.DeviceID.String()}
}

func ownLearnerOf(l clinic.OwnLearner, now time.Time) oas.OwnLearner {
	card := served.CardOf(l.ID, l.Nickname, l.BirthMonth, now)
	doc := oas.OwnLearner{
		ID: card.ID.String(), Nickname: card.Nickname, AgeBand: card.AgeBand, Enrolments: []oas.OwnEnrolment{},
	}
	for _, e := range l.Enrolments {
		doc.Enrolments = append(doc.Enrolments, oas.OwnEnrolment{
			ID: e.ID.String(), Plan: planOf(e.Plan), FirstNight: e.FirstNight.String(), Timezone: e.Timezone,
			ReminderTime: e.ReminderAt.String(), Positions: positionsOut(e.Positions),
			Status: oas.EnrolmentStatus(e.Status), EndedOn: nightOrNull(e.Last),
		})
	}
	return doc
}
