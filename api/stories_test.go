package api_test

import (
	"net/http"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/apitest"
	"swallowtail/internal/store/postgres/postgrestest"
)

// chapter is some of this package's tests.
type chapter struct {
	name  string
	tests map[string]func(*testing.T)
}

// readChapters are those of which whatever the clinics and families can read is read in the end. It takes as long as the tests.
var readChapters = []string{"clinic", "consent", "rest"}

// retold are the tests that are played over every store at once. Those that race, that measure, or that put something between the
// house and its callers are not among them: each server would be told something else, or in another order.
var retold = []chapter{
	{"sessions", map[string]func(*testing.T){
		"SignIn":                                TestSignIn,
		"WhoNeedsASecondFactor":                 TestWhoNeedsASecondFactor,
		"SecondFactor":                          TestSecondFactor,
		"TokensAreVerifiableByOthers":           TestTokensAreVerifiableByOthers,
		"ARecoveryCodeWorksOnceInPlaceOfACode":  TestARecoveryCodeWorksOnceInPlaceOfACode,
		"NewRecoveryCodesVoidTheOld":            TestNewRecoveryCodesVoidTheOld,
		"SignOut":                               TestSignOut,
		"AReusedTokenEndsTheSessionAtOnce":      TestAReusedTokenEndsTheSessionAtOnce,
		"ChangePassword":                        TestChangePassword,
		"WhatAnOperatorDoesCountsAtTheNextCall": TestWhatAnOperatorDoesCountsAtTheNextCall,
		"ASessionEndsAfterADay":                 TestASessionEndsAfterADay,
		"WrongCodesAreCounted":                  TestWrongCodesAreCounted,
		"Refresh":                               TestRefresh,
		"ADevicesRefresh":                       TestADevicesRefresh,
	}},
	{"families", map[string]func(*testing.T){
		"Public":                TestPublic,
		"Plans":                 TestPlans,
		"Households":            TestHouseholds,
		"ScreeningAndEnrolment": TestScreeningAndEnrolment,
		"APlanMayAskMore":       TestAPlanMayAskMore,
		"OwnHousehold":          TestOwnHousehold,
		"Invite":                TestInvite,
		"WhoAnInviteIsFor":      TestWhoAnInviteIsFor,
		"WhatIsNoIDIsNotThere":  TestWhatIsNoIDIsNotThere,
	}},
	{"entries", map[string]func(*testing.T){
		"AFirstPullOfNothing":        TestAFirstPullOfNothing,
		"PushAndPullInOneCall":       TestPushAndPullInOneCall,
		"ASmallLimit":                TestASmallLimit,
		"NightsChangeWithoutEntries": TestNightsChangeWithoutEntries,
		"NightsThatAreNoMore":        TestNightsThatAreNoMore,
		"OfferedAgain":               TestOfferedAgain,
		"OneBadAmongGood":            TestOneBadAmongGood,
		"FromTheFuture":              TestFromTheFuture,
		"WhatOthersSee":              TestWhatOthersSee,
		"Members":                    TestMembers,
	}},
	{"clinic", map[string]func(*testing.T){
		"Settle":                  TestSettle,
		"AnEditReopens":           TestAnEditReopens,
		"Link":                    TestLink,
		"Excuse":                  TestExcuse,
		"HoldAndClear":            TestHoldAndClear,
		"Choose":                  TestChoose,
		"PositionsOff":            TestPositionsOff,
		"SheetsOffPaper":          TestSheetsOffPaper,
		"EntriesOfAnotherLearner": TestEntriesOfAnotherLearner,
		"ListedEntries":           TestListedEntries,
	}},
	{"figures", map[string]func(*testing.T){
		"MissedAndUnheard":                    TestMissedAndUnheard,
		"AllSilent":                           TestAllSilent,
		"ALateUploadRepairsTheStreak":         TestALateUploadRepairsTheStreak,
		"Recalled":                            TestRecalled,
		"NightsAcrossZones":                   TestNightsAcrossZones,
		"SecondEnrolment":                     TestSecondEnrolment,
		"ALearnerWithoutEnrolment":            TestALearnerWithoutEnrolment,
		"TheFamilysView":                      TestTheFamilysView,
		"ThePreferenceOnTheWire":              TestThePreferenceOnTheWire,
		"AsOf":                                TestAsOf,
		"Cohort":                              TestCohort,
		"ASummaryIsGivenOnceToThoseWhoKnowIt": TestASummaryIsGivenOnceToThoseWhoKnowIt,
		"RosterOrders":                        TestRosterOrders,
		"RosterFilters":                       TestRosterFilters,
		"RosterLine":                          TestRosterLine,
		"Pages":                               TestPages,
	}},
	{"consent", map[string]func(*testing.T){
		"WithdrawnConsent":                       TestWithdrawnConsent,
		"ReadingNarrowsWithConsent":              TestReadingNarrowsWithConsent,
		"AnIncidentHoldsWithoutConsent":          TestAnIncidentHoldsWithoutConsent,
		"WithoutAnybodysConsentNobodyIsReminded": TestWithoutAnybodysConsentNobodyIsReminded,
		"NobodyDecidesForAnother":                TestNobodyDecidesForAnother,
		"TheTrailTellsOfConsent":                 TestTheTrailTellsOfConsent,
		"ADeviceIsRevoked":                       TestADeviceIsRevoked,
		"ARevokedDeviceReadsNothing":             TestARevokedDeviceReadsNothing,
		"ARevokedDeviceHandsIn":                  TestARevokedDeviceHandsIn,
		"AnIncidentOfARevokedDevice":             TestAnIncidentOfARevokedDevice,
		"AReviewOfAQuarantinedEntry":             TestAReviewOfAQuarantinedEntry,
		"ACaregiverWithoutConsentIsInvitedAgain": TestACaregiverWithoutConsentIsInvitedAgain,
	}},
	{"reminders", map[string]func(*testing.T){
		"AnAddressWhole":                        TestAnAddressWhole,
		"AWayOutByOneClick":                     TestAWayOutByOneClick,
		"ACalendarIsReadByWhoeverHasItsAddress": TestACalendarIsReadByWhoeverHasItsAddress,
		"ACalendarIsGivenOnceToThoseWhoKnowIt":  TestACalendarIsGivenOnceToThoseWhoKnowIt,
		"AClaimWhole":                           TestAClaimWhole,
		"WhatAClaimAsksFor":                     TestWhatAClaimAsksFor,
		"ACodeIsClaimed":                        TestACodeIsClaimed,
		"TheGoAhead":                            TestTheGoAhead,
		"Reports":                               TestReports,
		"ReminderTimeByWhoeverLivesByIt":        TestReminderTimeByWhoeverLivesByIt,
		"FollowUpsWhole":                        TestFollowUpsWhole,
		"AFamilyThatStopsIsRemindedNoMore":      TestAFamilyThatStopsIsRemindedNoMore,
		"OverdueWhole":                          TestOverdueWhole,
		"OverdueThroughAFortnight":              TestOverdueThroughAFortnight,
		"DueInstantsFollowTheClocks":            TestDueInstantsFollowTheClocks,
		"WhatStopsReminders":                    TestWhatStopsReminders,
		"NightsBeforeTheEnrolmentWasWritten":    TestNightsBeforeTheEnrolmentWasWritten,
		"ALaterEnrolmentIsRemindedOf":           TestALaterEnrolmentIsRemindedOf,
		"OverdueOrder":                          TestOverdueOrder,
	}},
	{"rest", map[string]func(*testing.T){
		"ListenersHear": listenersHear,
	}},
}

// listenersHear does what elsewhere only tests with streams of their own do.
func listenersHear(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.papa.get(streamPath).ok(http.StatusOK)
	w.papa.accepted(w.papa.evening(w.clock.now(), "left")...)
	w.otherPapa.get(streamPath).ok(http.StatusOK)
}

// TestEveryStoreAnswersTheSame plays most of what this package tests once more, over three stores at once: the one in memory, SQLite and
// PostgreSQL. Each call goes to a server on each of them, with the same clock, ids and secrets. Status, headers and body must be the
// same to the byte, of refusals too, and no operation may be left out.
func TestEveryStoreAnswersTheSame(t *testing.T) {
	t.Parallel()
	postgrestest.Server(t)
	var all int
	var played atomic.Int64
	for _, c := range retold {
		all += len(c.tests)
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			for name, test := range c.tests {
				t.Run(name, func(t *testing.T) {
					played.Add(1)
					test(t)
				})
			}
		})
	}
	t.Cleanup(func() {
		if int(played.Load()) == all {
			everyOperationCompared(t)
		}
	})
}

// everyOperationCompared fails the test unless each operation was compared, and more than its refusals.
func everyOperationCompared(t *testing.T) {
	counts := compared().Counts()
	calls := 0
	for _, id := range compared().Description.Operations() {
		assert.Positive(t, counts[id].Done, id)
	}
	for _, c := range counts {
		calls += c.Calls
	}
	t.Logf("%d answers compared, by operation (and of them granted): %v", calls, counts)
}

// TestAStoreThatKnowsOtherwiseIsSeen tells one of the servers something that the others don't know.
func TestAStoreThatKnowsOtherwiseIsSeen(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.addTwins()
	servers, is := h.handler.(*apitest.Servers)
	require.True(t, is)
	var seen []string
	servers.Differs = func(call, server, _ string) { seen = append(seen, call+" "+server) }
	f := h.newSite("north").newFamily("Otter")
	calls := func() {
		f.clinician.get("/v1/households").ok(http.StatusOK)
		f.clinician.get("/v1/roster").ok(http.StatusOK)
	}
	calls()
	require.Empty(t, seen)

	_, err := h.twins.others[0].service.CreateHousehold(t.Context(), f.clinician.principal, "nobody else's", h.clock.now())
	require.NoError(t, err)
	calls()
	assert.Equal(t, []string{"GET /v1/households memory"}, seen)
}
