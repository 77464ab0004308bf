package postgres

import (
	"context"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Folder implements clinic.RecordView, in one trip to the server.
func (v view) Folder(ctx context.Context, household uuid.UUID) (f clinic.Folder, err error) {
	var found []clinic.Household
	var epochs []uuid.UUID
	var heads []held
	var enrolments []placedEnrolment
	var reminders []clinic.DueReminder
	var concerns []concernOf
	err = v.within(ctx, household,
		into(&epochs, epoch, value[uuid.UUID]),
		into(&heads, householdHead, scanHeld, household),
		into(&found, householdByID, scanHousehold, household),
		into(&f.Learners, learnersOfHousehold, scanLearner, household),
		into(&f.Caregivers, caregiversOfHousehold, scanCaregiver, household),
		into(&enrolments, enrolmentsOfHousehold, scanEnrolment, household),
		into(&f.Plans, plansOfHousehold, scanPlan, household),
		into(&f.Devices, devicesOfHousehold, scanDevice, household),
		into(&f.Entries, entriesAfter, scanEntry, household, int64(0), (*int)(nil)),
		into(&f.Deliveries, deliveriesOfHousehold, scanDelivery, household),
		into(&f.FollowUps, followUpsOfHousehold, scanFollowUp, household),
		into(&f.Projections, projectionsOfHousehold, scanProjection, household),
		into(&reminders, remindersOfHousehold, scanReminder, household),
		into(&concerns, concernsOfHousehold, scanConcernOf, household),
	)
	if f.Household, err = first[clinic.Household](householdByID)(found, err); err != nil {
		return clinic.Folder{}, err
	}
	for _, e := range enrolments {
		f.Enrolments = append(f.Enrolments, e.Enrolment)
	}
	f.Edition, f.Head = clinic.Edition{Epoch: epochs[0], Number: heads[0].edition}, heads[0].Head
	for i := range f.Projections {
		p := &f.Projections[i]
		for j := range reminders {
			if r := &reminders[j]; r.Learner == p.Learner {
				p.Reminders = append(p.Reminders, r.ProjectedReminder)
			}
		}
		for _, c := range concerns {
			if c.learner == p.Learner {
				p.Concerns = append(p.Concerns, c.ProjectedConcern)
			}
		}
	}
	v.noteLearners(household, f.Learners)
	v.noteDevices(household, f.Devices)
	return f, nil
}
