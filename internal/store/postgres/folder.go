package postgres

import (
	"context"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Folder implements clinic.RecordView, in one trip to the server.
func (v view) Folder(ctx context.Context, household uuid.UUID) (f clinic.Folder, err error) {
	var found []clinic.Household
	var enrolments []placedEnrolment
	err = v.within(ctx, household,
		into(&found, householdByID, scanHousehold, household),
		into(&f.Learners, learnersOfHousehold, scanLearner, household),
		into(&enrolments, enrolmentsOfHousehold, scanEnrolment, household),
		into(&f.Plans, plansOfHousehold, scanPlan, household),
		into(&f.Devices, devicesOfHousehold, scanDevice, household),
		into(&f.Entries, entriesAfter, scanEntry, household, int64(0), (*int)(nil)),
		into(&f.Deliveries, deliveriesOfHousehold, scanDelivery, household),
		into(&f.FollowUps, followUpsOfHousehold, scanFollowUp, household),
	)
	if f.Household, err = first[clinic.Household](householdByID)(found, err); err != nil {
		return clinic.Folder{}, err
	}
	for _, e := range enrolments {
		f.Enrolments = append(f.Enrolments, e.Enrolment)
	}
	v.noteLearners(household, f.Learners)
	v.noteDevices(household, f.Devices)
	return f, nil
}
