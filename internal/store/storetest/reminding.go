package storetest

import (
	"context"
	"errors"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/reminder"
)

// absentReminders read what has to do with reminders of somebody, or by an id, that is not there.
func absentReminders() []use {
	uses := []use{
		looking("ReadyReminders", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.ReadyReminders(ctx, nobody, evening, []string{"tonight"}, 1)
		}),
		looking("LapsedReminders", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.LapsedReminders(ctx, nobody, evening, 1)
		}),
		looking("Concerns", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.Concerns(ctx, nobody, nil, 1) }),
		looking("ReadyCodes", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.ReadyCodes(ctx, nobody, evening, 1) }),
		looking("CalendarFeedByHash", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.CalendarFeedByHash(ctx, []byte{9})
		}),
	}
	for name, method := range map[string]func(ctx context.Context, v clinic.View) error{
		"RemindersOf": byID(remindersOf), "Concern": byID(concernOf), "Delivery": byID(deliveryOf), "Deliveries": byID(deliveriesOf),
		"Address": byID(addressOf), "Addresses": byID(addressesOf), "CalendarFeed": byID(feedOf), "CalendarFeeds": byID(feedsOf),
		"FollowUps": byID(followUpsOf),
	} {
		uses = append(uses, use{name, func(ctx context.Context, tx clinic.Tx) error { return method(ctx, tx) }})
	}
	return uses
}

// absentReminderWrites write for somebody who is not there, or take away what is not there.
func absentReminderWrites(w, other world) []use {
	var uses []use
	for of, parents := range map[string]struct{ household, caregiver uuid.UUID }{
		"no household": {nobody, w.caregiver}, "nobody": {w.household, nobody}, "another's caregiver": {w.household, other.caregiver},
	} {
		address, feed := w.address(5), w.feed(5)
		address.Household, address.Caregiver = parents.household, parents.caregiver
		feed.Household, feed.Caregiver = parents.household, parents.caregiver
		uses = append(uses,
			use{"AddAddress of " + of, func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, address) }},
			use{"AddCalendarFeed of " + of, func(ctx context.Context, tx clinic.Tx) error { return tx.AddCalendarFeed(ctx, feed) }},
		)
	}
	noLearner, byNobody, lost := w.followUp(5), w.followUp(5), w.delivery(6)
	noLearner.Learner, byNobody.Member, lost.Learner = nobody, nobody, other.learner
	return append(uses,
		use{"SetReminderTime", func(ctx context.Context, tx clinic.Tx) error { return tx.SetReminderTime(ctx, nobody, 0, minutes(1)) }},
		use{"SetAddress", func(ctx context.Context, tx clinic.Tx) error { return tx.SetAddress(ctx, w.address(5)) }},
		use{"RemoveAddress", func(ctx context.Context, tx clinic.Tx) error { return tx.RemoveAddress(ctx, nobody) }},
		use{"RemoveCalendarFeed", func(ctx context.Context, tx clinic.Tx) error { return tx.RemoveCalendarFeed(ctx, nobody) }},
		use{"AddFollowUp", func(ctx context.Context, tx clinic.Tx) error { return tx.AddFollowUp(ctx, noLearner) }},
		use{"AddFollowUp by nobody", func(ctx context.Context, tx clinic.Tx) error { return tx.AddFollowUp(ctx, byNobody) }},
		use{"SaveDeliveries", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SaveDeliveries(ctx, []clinic.Delivery{w.delivery(5), lost})
		}},
	)
}

// haveReminded gives a full world what there is once somebody has been reminded.
func (w world) haveReminded(ctx context.Context, tx clinic.Tx) error {
	return errors.Join(
		tx.AddAddress(ctx, w.address(1)), tx.AddAddress(ctx, w.address(2)), tx.AddCalendarFeed(ctx, w.feed(1)),
		tx.SaveDeliveries(ctx, []clinic.Delivery{w.delivery(1), w.code(1), w.code(2)}),
		tx.AddFollowUp(ctx, w.followUp(1)), tx.SetZoneRules(ctx, "Asia/Kathmandu", [32]byte{1}),
	)
}

// changeOfReminders writes with every method of clinic.ReminderTx.
func (w world) changeOfReminders() []use {
	set, claimed, reminded := w.address(1), w.code(1), w.delivery(1)
	set.Code.Wrong = 9
	claimed.State = reminder.Sent
	reminded.Sends = 9
	projected := w.delivery(added)
	projected.ID, projected.Until = w.projection().Reminders[0].ID, minutes(29)
	return []use{
		{"SetReminderTime", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetReminderTime(ctx, id(anEnrolment, there), 7, minutes(7))
		}},
		{"SaveDeliveries", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SaveDeliveries(ctx, []clinic.Delivery{claimed, reminded, projected})
		}},
		{"SetAddress", func(ctx context.Context, tx clinic.Tx) error { return tx.SetAddress(ctx, set) }},
		{"RemoveAddress", func(ctx context.Context, tx clinic.Tx) error { return tx.RemoveAddress(ctx, w.address(2).ID) }},
		{"AddAddress", func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, w.address(3)) }},
		{"RemoveCalendarFeed", func(ctx context.Context, tx clinic.Tx) error { return tx.RemoveCalendarFeed(ctx, w.feed(1).ID) }},
		{"AddCalendarFeed", func(ctx context.Context, tx clinic.Tx) error { return tx.AddCalendarFeed(ctx, w.feed(2)) }},
		{"AddFollowUp", func(ctx context.Context, tx clinic.Tx) error { return tx.AddFollowUp(ctx, w.followUp(2)) }},
		{"SetZoneRules", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetZoneRules(ctx, "Asia/Kathmandu", [32]byte{2})
		}},
	}
}

// questionsOfReminders ask with every method of clinic.ReminderView, and those of clinic.ProjectionView about reminders.
func (w world) questionsOfReminders() []question {
	feedByHash := func(n int, of string) question {
		return asking("CalendarFeedByHash", of, func(ctx context.Context, v clinic.View) (clinic.CalendarFeed, error) {
			return v.CalendarFeedByHash(ctx, w.feed(n).Hash)
		})
	}
	return []question{
		asking("LapsedReminders", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.LapsedReminders(ctx, w.clinic, minutes(30), 9)
		}),
		asking("ReadyReminders", "", func(ctx context.Context, v clinic.View) ([]clinic.DueReminder, error) {
			return v.ReadyReminders(ctx, w.clinic, minutes(30), []string{"tonight"}, 9)
		}),
		asked("RemindersOf", "", remindersOf, w.learner),
		asking("Concerns", "", func(ctx context.Context, v clinic.View) ([]clinic.OpenConcern, error) {
			return v.Concerns(ctx, w.clinic, nil, 9)
		}),
		asked("Concern", "", concernOf, w.projection().Concerns[0].ID),
		asked("Delivery", "changed", deliveryOf, w.delivery(1).ID), asked("Delivery", "of an address", deliveryOf, w.code(1).ID),
		asked("Delivery", "removed", deliveryOf, w.code(2).ID), asked("Deliveries", "", deliveriesOf, w.household),
		asking("ReadyCodes", "", func(ctx context.Context, v clinic.View) ([]clinic.Delivery, error) {
			return v.ReadyCodes(ctx, w.clinic, minutes(40), 9)
		}),
		asking("DeliveriesByID", "", func(ctx context.Context, v clinic.View) (map[uuid.UUID]clinic.Delivery, error) {
			return v.DeliveriesByID(ctx, []uuid.UUID{w.delivery(1).ID, w.code(2).ID})
		}),
		asked("Address", "set", addressOf, w.address(1).ID), asked("Address", "removed", addressOf, w.address(2).ID),
		asked("Address", "added", addressOf, w.address(3).ID), asked("Addresses", "", addressesOf, w.caregiver),
		asking("Recipients", "", func(ctx context.Context, v clinic.View) (map[uuid.UUID][]clinic.Recipient, error) {
			return v.Recipients(ctx, []uuid.UUID{w.household})
		}),
		asked("CalendarFeeds", "", feedsOf, w.caregiver),
		asked("CalendarFeed", "removed", feedOf, w.feed(1).ID), asked("CalendarFeed", "added", feedOf, w.feed(2).ID),
		feedByHash(1, "removed"), feedByHash(2, "added"),
		asked("FollowUps", "", followUpsOf, w.household),
		asking("ZonesInUse", "", zonesInUse), asking("ZoneRules", "", zoneRules),
		asking("LearnersInZone", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.LearnersInZone(ctx, "Pacific/Apia", clinic.Page{Limit: 9})
		}),
	}
}
