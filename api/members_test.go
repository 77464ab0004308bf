package api_test

import "slices"

// memberTest is a body of which the members pointed at are wrong.
type memberTest struct {
	id, name string
	body     map[string]any
	problem  string // invalid-input unless it says otherwise
	pointers []string
}

// memberTests makes them from a good body of each operation.
func memberTests(good map[string]map[string]any) []memberTest {
	tests := slices.Concat(strangers(good), accessMembers(good), planMembers(good), householdMembers(good), learnerMembers(good))
	return slices.Concat(tests, entryMembers(good), schedulerMembers(good), addressMembers(good), followUpMembers(good))
}

// strangers gives every body a member that nobody knows.
func strangers(good map[string]map[string]any) []memberTest {
	var tests []memberTest
	for id, body := range good {
		tests = append(tests,
			memberTest{id: id, name: "a member unknown", body: with(body, "mood", 1), pointers: []string{"/mood"}},
			memberTest{id: id, name: "a member of a strange name", body: with(body, "\u202e"+secret, 1), pointers: []string{""}},
			memberTest{id: id, name: "a member of a long name", body: with(body, repeated(secret, 100), 1), pointers: []string{""}},
		)
	}
	return tests
}

func accessMembers(good map[string]map[string]any) []memberTest {
	signIn, enrol := good["signIn"], good["enrolDevice"]
	enrolWith := func(object, name string, value any) map[string]any {
		return with(enrol, object, with(enrol[object].(map[string]any), name, value))
	}
	return []memberTest{
		{id: "signIn", name: "a password that is none", body: with(signIn, "password", 7), pointers: []string{"/password"}},
		{id: "signIn", name: "a miscased member", body: with(signIn, "Email", "x"), pointers: []string{"/Email"}},
		{id: "signIn", name: "a code as a number", body: with(signIn, "otp", 123456), pointers: []string{"/otp"}},
		{id: "setUpSecondFactor", name: "an address that is none", body: with(signIn, "email", []string{secret}), pointers: []string{"/email"}},
		{id: "refreshTokens", name: "a token that is none", body: map[string]any{"refresh_token": true}, pointers: []string{"/refresh_token"}},
		{id: "enrolDevice", name: "no code", body: with(enrol, "invite_code", nil), problem: "invite-refused", pointers: []string{"/invite_code"}},
		{id: "enrolDevice", name: "no caregiver", body: with(enrol, "caregiver", nil), pointers: []string{"/caregiver/name"}},
		{id: "enrolDevice", name: "no device", body: with(enrol, "device", nil), pointers: []string{"/device/name", "/device/platform"}},
		{id: "enrolDevice", name: "a name too long", body: enrolWith("caregiver", "name", repeated("é", 81)), pointers: []string{"/caregiver/name"}},
		{id: "enrolDevice", name: "a name with NUL", body: enrolWith("device", "name", secret+"\x00"), pointers: []string{"/device/name"}},
		{id: "enrolDevice", name: "a caregiver that is no id", body: enrolWith("caregiver", "id", secret), pointers: []string{"/caregiver/id"}},
		{id: "enrolDevice", name: "a stranger within", body: enrolWith("caregiver", "Name", "x"), pointers: []string{"/caregiver/Name"}},
		{id: "enrolDevice", name: "a platform of another type", body: enrolWith("device", "platform", map[string]any{}), pointers: []string{"/device/platform"}},
	}
}

func planMembers(good map[string]map[string]any) []memberTest {
	plan := good["createPlan"]
	withParameter := func(name string, value any) map[string]any {
		return with(plan, "parameters", map[string]any{name: value})
	}
	tests := []memberTest{
		{id: "createPlan", name: "no name", body: with(plan, "name", nil), pointers: []string{"/name"}},
		{id: "createPlan", name: "an empty name", body: with(plan, "name", ""), pointers: []string{"/name"}},
		{id: "createPlan", name: "a name with a line break", body: with(plan, "name", secret+"\n"), pointers: []string{"/name"}},
		{id: "createPlan", name: "parameters of another type", body: with(plan, "parameters", secret), pointers: []string{"/parameters"}},
		{id: "createPlan", name: "a miscased parameter", body: withParameter("Nights", 3), pointers: []string{"/parameters/Nights"}},
		{id: "createPlan", name: "half a night", body: withParameter("nights", 1.5), pointers: []string{"/parameters/nights"}},
		{id: "createPlan", name: "nights in words", body: withParameter("nights", "seven"), pointers: []string{"/parameters/nights"}},
		{id: "createPlan", name: "no positions", body: withParameter("positions", []string{}), pointers: []string{"/parameters/positions"}},
		{id: "createPlan", name: "positions twice and unknown", body: withParameter("positions", []string{"up", secret, "up"}), pointers: []string{"/parameters/positions/1", "/parameters/positions/2"}},
		{id: "createPlan", name: "a position that is none", body: withParameter("positions", []any{1}), pointers: []string{"/parameters/positions/0"}},
		{id: "createPlan", name: "questions known and strange", body: withParameter("extra_screening_questions", []string{"sore_mouth", "ok", "ok", "No!"}), pointers: []string{
			"/parameters/extra_screening_questions/0", "/parameters/extra_screening_questions/2", "/parameters/extra_screening_questions/3",
		}},
		{id: "createPlan", name: "several at once", body: map[string]any{"name": "", "parameters": map[string]any{"nights": 61, "quiet_from": "24:00", "follow_up_run": 0}}, pointers: []string{
			"/name", "/parameters/nights", "/parameters/quiet_from", "/parameters/follow_up_run",
		}},
	}
	for name, values := range map[string][]any{
		"nights": {0, 61}, "sitting_minutes": {0, 241}, "silent_after_days": {0, 61}, "recalled_after_hours": {0, 169},
		"written_together_minutes": {0, 61}, "follow_up_run": {0, 15}, "practised_nights_wanted": {0, 61},
		"preference_half_life_nights": {0, 60.5}, "leader_probability": {0.4, 1}, "leader_nights": {0, 15}, "success_tries": {0, 17},
		"success_look_every": {0, 15}, "success_rate": {0, 1}, "success_probability": {0.4, 1}, "too_few_probability": {0, 0.81},
		"advice_nights": {0, 15}, "same_answer_nights": {0, 15}, "sequence_nights": {0, 15}, "sequence_below_years": {0, 19},
		"night_turns_at": {"4:00", "25:00"}, "quiet_from": {"", "21:60"}, "quiet_until": {"8", "08:00:00"},
	} {
		for _, value := range values {
			tests = append(tests, memberTest{id: "createPlan", name: name, body: withParameter(name, value), pointers: []string{"/parameters/" + name}})
		}
	}
	return tests
}

func householdMembers(good map[string]map[string]any) []memberTest {
	household, learner := good["createHousehold"], good["createLearner"]
	return []memberTest{
		{id: "createHousehold", name: "no label", body: map[string]any{}, pointers: []string{"/label"}},
		{id: "createHousehold", name: "a label of null", body: map[string]any{"label": any(nil)}, pointers: []string{"/label"}},
		{id: "createHousehold", name: "a label too long", body: with(household, "label", repeated("x", 81)), pointers: []string{"/label"}},
		{id: "createHousehold", name: "a label with NUL", body: with(household, "label", "a\x00b"+secret), pointers: []string{"/label"}},
		{id: "createInvite", name: "a caregiver that is no id", body: map[string]any{"caregiver_id": secret}, pointers: []string{"/caregiver_id"}},
		{id: "createInvite", name: "the nil caregiver", body: map[string]any{"caregiver_id": "00000000-0000-0000-0000-000000000000"}, pointers: []string{"/caregiver_id"}},
		{id: "createInvite", name: "a caregiver of nobody's", body: map[string]any{"caregiver_id": "01953a10-0000-7000-8000-0000000000ff"}, pointers: []string{"/caregiver_id"}},
		{id: "createLearner", name: "no nickname", body: map[string]any{}, pointers: []string{"/nickname"}},
		{id: "createLearner", name: "a miscased nickname", body: map[string]any{"Nickname": "Vole"}, pointers: []string{"/Nickname"}},
		{id: "createLearner", name: "a month to come", body: with(learner, "birth_month", "2027-04"), pointers: []string{"/birth_month"}},
		{id: "createLearner", name: "a month long gone", body: with(learner, "birth_month", "1906-12"), pointers: []string{"/birth_month"}},
		{id: "createLearner", name: "a day of birth", body: with(learner, "birth_month", "2019-05-03"), pointers: []string{"/birth_month"}},
		{id: "createLearner", name: "a thirteenth month", body: with(learner, "birth_month", "2019-13"), pointers: []string{"/birth_month"}},
	}
}

func learnerMembers(good map[string]map[string]any) []memberTest {
	screening, enrolment, status := good["recordScreening"], good["createEnrolment"], good["setEnrolmentStatus"]
	answered := screening["answers"].(map[string]any)
	answering := func(name string, value any) map[string]any {
		return with(screening, "answers", with(answered, name, value))
	}
	unanswered := map[string]any{}
	for name, value := range answered {
		unanswered[name] = value
	}
	unanswered["sore_mouth"] = any(nil)
	millimetres := []string{"/target/length_mm", "/target/width_mm"}
	aim := func(target any) map[string]any { return with(enrolment, "target", target) }
	return []memberTest{
		{id: "recordScreening", name: "a question left out", body: answering("sore_mouth", nil), pointers: []string{"/answers/sore_mouth"}},
		{id: "recordScreening", name: "a question answered with null", body: with(screening, "answers", unanswered), pointers: []string{"/answers/sore_mouth"}},
		{id: "recordScreening", name: "an answer in words", body: answering("sore_mouth", "no"), pointers: []string{"/answers/sore_mouth"}},
		{id: "recordScreening", name: "a question of a strange name", body: answering("Sore Mouth!", false), pointers: []string{"/answers"}},
		{id: "recordScreening", name: "a go beside a yes", body: answering("sore_mouth", true), pointers: []string{"/note"}},
		{id: "recordScreening", name: "no decision", body: with(screening, "decision", nil), pointers: []string{"/decision"}},
		{id: "recordScreening", name: "another decision", body: with(screening, "decision", secret), pointers: []string{"/decision"}},
		{id: "recordScreening", name: "a note too long", body: with(screening, "note", repeated("x", 2001)), pointers: []string{"/note"}},
		{id: "recordScreening", name: "a note with NUL", body: with(screening, "note", "\x00"), pointers: []string{"/note"}},
		{id: "createEnrolment", name: "nothing", body: map[string]any{}, pointers: []string{"/first_night", "/timezone", "/reminder_time"}},
		{id: "createEnrolment", name: "a plan that is no id", body: with(enrolment, "plan_id", secret), pointers: []string{"/plan_id"}},
		{id: "createEnrolment", name: "a plan of nobody's", body: with(enrolment, "plan_id", "01953a10-0000-7000-8000-0000000000ff"), pointers: []string{"/plan_id"}},
		{id: "createEnrolment", name: "no such date", body: with(enrolment, "first_night", "2027-02-29"), pointers: []string{"/first_night"}},
		{id: "createEnrolment", name: "a date too far", body: with(enrolment, "first_night", "2037-02-28"), pointers: []string{"/first_night"}},
		{id: "createEnrolment", name: "no such zone", body: with(enrolment, "timezone", "Atlantis/"+secret), pointers: []string{"/timezone"}},
		{id: "createEnrolment", name: "the server's own zone", body: with(enrolment, "timezone", "Local"), pointers: []string{"/timezone"}},
		{id: "createEnrolment", name: "a file for a zone", body: with(enrolment, "timezone", "../../etc/passwd"), pointers: []string{"/timezone"}},
		{id: "createEnrolment", name: "no such time", body: with(enrolment, "reminder_time", "7:30"), pointers: []string{"/reminder_time"}},
		{id: "createEnrolment", name: "a time in quiet hours", body: with(enrolment, "reminder_time", "21:00"), pointers: []string{"/reminder_time"}},
		{id: "createEnrolment", name: "a time before quiet hours end", body: with(enrolment, "reminder_time", "07:59"), pointers: []string{"/reminder_time"}},
		{id: "createEnrolment", name: "no positions", body: with(enrolment, "positions", []string{}), pointers: []string{"/positions"}},
		{id: "createEnrolment", name: "a position twice", body: with(enrolment, "positions", []string{"up", "up"}), pointers: []string{"/positions/1"}},
		{id: "createEnrolment", name: "a target of nothing", body: aim(map[string]any{}), pointers: millimetres},
		{id: "createEnrolment", name: "half a target", body: aim(map[string]any{"length_mm": 8}), pointers: []string{"/target/width_mm"}},
		{id: "createEnrolment", name: "a capsule size that is none", body: aim(map[string]any{"capsule_size": "6"}), pointers: []string{"/target/capsule_size"}},
		{id: "createEnrolment", name: "a capsule size as a number", body: aim(map[string]any{"capsule_size": 0}), pointers: []string{"/target/capsule_size"}},
		{id: "createEnrolment", name: "a capsule and a tablet", body: aim(map[string]any{"capsule_size": "1", "length_mm": 8, "width_mm": 3}), pointers: []string{"/target"}},
		{id: "createEnrolment", name: "a tablet wider than long", body: aim(map[string]any{"length_mm": 5, "width_mm": 6}), pointers: []string{"/target/width_mm"}},
		{id: "createEnrolment", name: "a tablet too large", body: aim(map[string]any{"length_mm": 61, "width_mm": 0}), pointers: millimetres},
		{id: "setEnrolmentStatus", name: "no status", body: map[string]any{}, pointers: []string{"/status"}},
		{id: "setEnrolmentStatus", name: "another status", body: with(status, "status", "Paused"), pointers: []string{"/status"}},
		{id: "setEnrolmentStatus", name: "a note too long", body: with(status, "note", repeated("x", 2001)), pointers: []string{"/note"}},
	}
}

func entryMembers(good map[string]map[string]any) []memberTest {
	sync, entries := good["sync"], good["addClinicEntries"]
	return []memberTest{
		{id: "sync", name: "nothing", body: map[string]any{}, pointers: []string{"/schema", "/cursor", "/sent_at", "/entries"}},
		{id: "sync", name: "a miscased member", body: with(sync, "Cursor", "x"), pointers: []string{"/Cursor"}},
		{id: "sync", name: "a schema of nothing", body: with(sync, "schema", 0), pointers: []string{"/schema"}},
		{id: "sync", name: "a schema in words", body: with(sync, "schema", secret), pointers: []string{"/schema"}},
		{id: "sync", name: "a cursor that is none", body: with(sync, "cursor", 7), pointers: []string{"/cursor"}},
		{id: "sync", name: "no clock", body: with(sync, "sent_at", "yesterday"), pointers: []string{"/sent_at"}},
		{id: "sync", name: "a clock without an offset", body: with(sync, "sent_at", "2027-03-01T18:00:00"), pointers: []string{"/sent_at"}},
		{id: "sync", name: "a clock and a cursor that are none", body: with(with(sync, "sent_at", "yesterday"), "cursor", 7), pointers: []string{"/cursor", "/sent_at"}},
		{id: "sync", name: "a limit too low", body: with(sync, "limit", 0), pointers: []string{"/limit"}},
		{id: "sync", name: "a limit too high", body: with(sync, "limit", 501), pointers: []string{"/limit"}},
		{id: "sync", name: "entries that are none", body: with(sync, "entries", map[string]any{"0": 1}), pointers: []string{"/entries"}},
		{id: "addClinicEntries", name: "no entries", body: with(entries, "entries", []any{}), pointers: []string{"/entries"}},
		{id: "addClinicEntries", name: "entries left out", body: map[string]any{}, pointers: []string{"/entries"}},
		{id: "addClinicEntries", name: "a member of sync's", body: with(entries, "schema", 1), pointers: []string{"/schema"}},
	}
}

func schedulerMembers(good map[string]map[string]any) []memberTest {
	claims, goAhead, report := good["claimReminders"], good["giveGoAhead"], good["reportReminder"]
	part := map[string]any{"id": "01953a10-0000-7000-8000-0000000000ff", "channel": "email", "outcome": "failed"}
	parts := func(parts ...any) map[string]any { return with(report, "destinations", parts) }
	many := make([]any, 51)
	for i := range many {
		many[i] = part
	}
	return []memberTest{
		{id: "claimReminders", name: "a limit too low", body: with(claims, "limit", 0), pointers: []string{"/limit"}},
		{id: "claimReminders", name: "a limit too high", body: with(claims, "limit", 501), pointers: []string{"/limit"}},
		{id: "claimReminders", name: "a limit in words", body: with(claims, "limit", secret), pointers: []string{"/limit"}},
		{id: "claimReminders", name: "a lease too short", body: with(claims, "lease_seconds", 9), pointers: []string{"/lease_seconds"}},
		{id: "claimReminders", name: "a lease too long", body: with(claims, "lease_seconds", 901), pointers: []string{"/lease_seconds"}},
		{id: "claimReminders", name: "a lease for ever, which in nanoseconds comes round to two minutes", body: with(claims, "lease_seconds", int64(1)<<55+120), pointers: []string{"/lease_seconds"}},
		{id: "claimReminders", name: "a lease before all time", body: with(claims, "lease_seconds", 120-int64(1)<<55), pointers: []string{"/lease_seconds"}},
		{id: "claimReminders", name: "half a second", body: with(claims, "lease_seconds", 10.5), pointers: []string{"/lease_seconds"}},
		{id: "claimReminders", name: "an instant that is none", body: with(claims, "as_of", "tonight"), pointers: []string{"/as_of"}},
		{id: "claimReminders", name: "an instant too late", body: with(claims, "as_of", "2027-03-09T22:30:00Z"), problem: "as-of-too-late"},
		{id: "claimReminders", name: "a kind unknown", body: with(claims, "kinds", []any{"tonight", secret}), pointers: []string{"/kinds/1"}},
		{id: "giveGoAhead", name: "no claim", body: map[string]any{}, pointers: []string{"/claim"}},
		{id: "giveGoAhead", name: "a claim that is no id", body: with(goAhead, "claim", secret), pointers: []string{"/claim"}},
		{id: "giveGoAhead", name: "nobody's claim", body: with(goAhead, "claim", "00000000-0000-0000-0000-000000000000"), pointers: []string{"/claim"}},
		{id: "giveGoAhead", name: "a channel that may be either", body: with(goAhead, "repeatable", "yes"), pointers: []string{"/repeatable"}},
		{id: "reportReminder", name: "no claim", body: with(report, "claim", nil), pointers: []string{"/claim"}},
		{id: "reportReminder", name: "no outcome", body: with(report, "outcome", nil), pointers: []string{"/outcome"}},
		{id: "reportReminder", name: "another outcome", body: with(report, "outcome", secret), pointers: []string{"/outcome"}},
		{id: "reportReminder", name: "a detail too long", body: with(report, "detail", repeated("x", 201)), pointers: []string{"/detail"}},
		{id: "reportReminder", name: "a detail of two lines", body: with(report, "detail", "a\nb"), pointers: []string{"/detail"}},
		{id: "reportReminder", name: "too many destinations", body: parts(many...), pointers: []string{"/destinations"}},
		{id: "reportReminder", name: "a destination that is no id", body: parts(part, with(part, "id", secret)), pointers: []string{"/destinations/1/id"}},
		{id: "reportReminder", name: "a destination of no outcome", body: parts(with(part, "outcome", nil)), pointers: []string{"/destinations/0/outcome"}},
		{id: "reportReminder", name: "a destination of much detail", body: parts(with(part, "detail", repeated("x", 201))), pointers: []string{"/destinations/0/detail"}},
		{id: "setReminderTime", name: "no time", body: map[string]any{}, pointers: []string{"/reminder_time"}},
		{id: "setReminderTime", name: "no such time", body: map[string]any{"reminder_time": "7:30"}, pointers: []string{"/reminder_time"}},
		{id: "setReminderTime", name: "a time in quiet hours", body: map[string]any{"reminder_time": "21:00"}, pointers: []string{"/reminder_time"}},
	}
}

func addressMembers(good map[string]map[string]any) []memberTest {
	address, wanted := good["addReminderAddress"], good["setReminderWanted"]
	quiet := map[string]any{"from": "18:00", "until": "09:00", "timezone": halifax}
	hushed := func(name string, value any) map[string]any {
		return with(wanted, "quiet_hours", with(quiet, name, value))
	}
	return []memberTest{
		{id: "addReminderAddress", name: "no channel", body: with(address, "channel", nil), pointers: []string{"/channel"}},
		{id: "addReminderAddress", name: "another channel", body: with(address, "channel", "pigeon"), pointers: []string{"/channel"}},
		{id: "addReminderAddress", name: "no address", body: with(address, "to", nil), pointers: []string{"/to"}},
		{id: "addReminderAddress", name: "an address that is none", body: with(address, "to", secret), pointers: []string{"/to"}},
		{id: "addReminderAddress", name: "an address with a name", body: with(address, "to", "Papa <papa@example.org>"), pointers: []string{"/to"}},
		{id: "addReminderAddress", name: "two addresses", body: with(address, "to", "papa@example.org,mama@example.org"), pointers: []string{"/to"}},
		{id: "addReminderAddress", name: "an address with a header", body: with(address, "to", "papa@example.org\r\nBcc: x@example.org"), pointers: []string{"/to"}},
		{id: "addReminderAddress", name: "an address too long", body: with(address, "to", repeated("x", 250)+"@example.org"), pointers: []string{"/to"}},
		{id: "addReminderAddress", name: "several at once", body: map[string]any{"channel": "email", "to": "x", "weekdays": []any{0}}, pointers: []string{"/to", "/weekdays/0"}},
		{id: "setReminderWanted", name: "a kind for the clinic", body: with(wanted, "kinds", []any{"follow_up"}), pointers: []string{"/kinds/0"}},
		{id: "setReminderWanted", name: "a kind twice", body: with(wanted, "kinds", []any{"missed", "missed"}), pointers: []string{"/kinds/1"}},
		{id: "setReminderWanted", name: "an eighth day", body: with(wanted, "weekdays", []any{1, 8}), pointers: []string{"/weekdays/1"}},
		{id: "setReminderWanted", name: "a day twice", body: with(wanted, "weekdays", []any{1, 1}), pointers: []string{"/weekdays/1"}},
		{id: "setReminderWanted", name: "a day by name", body: with(wanted, "weekdays", []any{"Monday"}), pointers: []string{"/weekdays/0"}},
		{id: "setReminderWanted", name: "a beginning that is none", body: hushed("from", "24:00"), pointers: []string{"/quiet_hours/from"}},
		{id: "setReminderWanted", name: "no end", body: hushed("until", nil), pointers: []string{"/quiet_hours/until"}},
		{id: "setReminderWanted", name: "no such zone", body: hushed("timezone", "Atlantis/"+secret), pointers: []string{"/quiet_hours/timezone"}},
		{id: "setReminderWanted", name: "a stranger within", body: hushed("From", "18:00"), pointers: []string{"/quiet_hours/From"}},
		{id: "verifyReminderAddress", name: "no code", body: map[string]any{}, problem: "code-refused", pointers: []string{"/code"}},
		{id: "verifyReminderAddress", name: "a code as a number", body: map[string]any{"code": 123456}, pointers: []string{"/code"}},
		{id: "verifyReminderAddress", name: "a wrong code", body: map[string]any{"code": secret}, problem: "code-refused", pointers: []string{"/code"}},
	}
}

func followUpMembers(good map[string]map[string]any) []memberTest {
	outcome := good["recordFollowUp"]
	return []memberTest{
		{id: "recordFollowUp", name: "no outcome", body: map[string]any{}, pointers: []string{"/outcome"}},
		{id: "recordFollowUp", name: "another outcome", body: with(outcome, "outcome", secret), pointers: []string{"/outcome"}},
		{id: "recordFollowUp", name: "another status", body: with(outcome, "status", "Paused"), pointers: []string{"/status"}},
		{id: "recordFollowUp", name: "a note too long", body: with(outcome, "note", repeated("x", 2001)), pointers: []string{"/note"}},
		{id: "recordFollowUp", name: "a note with NUL", body: with(outcome, "note", "\x00"), pointers: []string{"/note"}},
	}
}
