// One evening through the API with nothing but what its description says: the types are generated from it, and whatever
// the description and the server disagree about shows here, as a type error or as a failed check.
//
//   BASE_URL=http://127.0.0.1:8080 EMAIL=… PASSWORD=… node build/client.js
//
// All people in it are invented.
import assert from "node:assert/strict";
import { createHash, randomUUID } from "node:crypto";
import createClient, { type Client } from "openapi-fetch";
import type { components, paths } from "./build/api.js";

type Api = Client<paths, "application/json">;
type Schemas = components["schemas"];
type Entry = Schemas["Entry"];
type SyncResponse = Schemas["SyncResponse"];

const positions = ["centre", "right", "left", "up", "down"] as const;
const nothingAgainstIt: Schemas["ScreeningAnswers"] = {
  swallowing_trouble: false,
  aspiration_history: false,
  recent_mouth_throat_or_neck_surgery: false,
  sore_mouth: false,
  nausea_or_vomiting: false,
  breathing_trouble: false,
  reduced_alertness: false,
  under_minimum_age: false,
  allergy_to_ingredients: false,
  sugar_restricted: false,
};

// A zone without daylight saving, so that the offset in the entries is right on every day of the year.
const timezone = "Asia/Kolkata";
const offset = "+05:30";
const offsetMilliseconds = 5.5 * 3_600_000;

async function main(): Promise<void> {
  const baseUrl = setting("BASE_URL");
  const night = yesterdayInZone(new Date());
  const clinic = await signIn(baseUrl, setting("EMAIL"), setting("PASSWORD"));
  const { household, learner } = await enrolLearner(clinic, night);
  const device = await enrolDevice(baseUrl, clinic, household);

  const evening = recordEvening(learner, night);
  const ids = evening.map((entry) => entry.id);
  const pushed = await sync(device, evening);
  assert.deepEqual(outcomes(pushed), ids.map((id) => [id, "accepted"]), "every entry is accepted, in order");

  const pulled = await sync(device, []);
  checkChanges(pulled, evening);
  checkNight(pulled, learner, night);

  const again = await sync(device, evening);
  assert.deepEqual(outcomes(again), ids.map((id) => [id, "duplicate"]), "what was sent before is a duplicate");
  assert.equal(again.digest, pulled.digest, "duplicates change nothing");

  console.log(`${ids.length} entries came back as revisions 1 to ${pulled.head}, digest ${pulled.digest}, ${night} complete`);
}

function connect(baseUrl: string, token?: string): Api {
  return createClient<paths, "application/json">({
    baseUrl,
    headers: token === undefined ? {} : { Authorization: `Bearer ${token}` },
  });
}

async function signIn(baseUrl: string, email: string, password: string): Promise<Api> {
  const tokens = got("sign in", await connect(baseUrl).POST("/v1/auth/sign-in", { body: { email, password } }));
  return connect(baseUrl, tokens.access_token);
}

async function enrolLearner(clinic: Api, firstNight: string): Promise<{ household: string; learner: string }> {
  const household = got("household", await clinic.POST("/v1/households", { body: { label: "Invented household" } })).id;
  const learner = got(
    "learner",
    await clinic.POST("/v1/households/{household}/learners", {
      params: { path: { household } },
      body: { nickname: "Invented", birth_month: "2019-05" },
    }),
  ).id;
  const path = { params: { path: { learner } } };
  got(
    "screening",
    await clinic.POST("/v1/learners/{learner}/screening", { ...path, body: { answers: nothingAgainstIt, decision: "go" } }),
  );
  got(
    "enrolment",
    await clinic.POST("/v1/learners/{learner}/enrolments", {
      ...path,
      body: { first_night: firstNight, timezone, reminder_time: "19:30" },
    }),
  );
  return { household, learner };
}

async function enrolDevice(baseUrl: string, clinic: Api, household: string): Promise<Api> {
  const invite = got(
    "invite",
    await clinic.POST("/v1/households/{household}/invites", { params: { path: { household } }, body: {} }),
  );
  const enrolled = got(
    "enrol device",
    await connect(baseUrl).POST("/v1/devices/enrol", {
      body: {
        invite_code: invite.invite_code,
        caregiver: { name: "Invented caregiver" },
        device: { name: "Invented phone", platform: "web" },
      },
    }),
  );
  assert.equal(enrolled.household_id, household, "the device is in the household that invited it");
  return connect(baseUrl, enrolled.access_token);
}

// recordEvening writes one session and a swallowed sweet in each position.
function recordEvening(learner: string, night: string): Entry[] {
  const session = randomUUID();
  const recorded_at = `${night}T19:42:10${offset}`;
  const common = { replaces: [], learner_id: learner, recorded_at };
  const entries: Entry[] = [
    {
      ...common,
      id: session,
      subject: session,
      kind: "session",
      body: { practised_at: `${night}T19:38:00${offset}`, timezone, setting: "home", note: "", note_shared: false },
    },
  ];
  for (const position of positions) {
    const id = randomUUID();
    entries.push({
      ...common,
      id,
      subject: id,
      kind: "try",
      body: { session, position, number: 1, medium: "sweet", size_mm: 6, outcome: "swallowed", ease: 4, snags: [], note: "" },
    });
  }
  return entries;
}

// sync always asks from the start, so that each answer holds the whole household.
async function sync(device: Api, entries: Entry[]): Promise<SyncResponse> {
  const body = { schema: 1, cursor: null, sent_at: new Date().toISOString(), limit: 500, entries };
  return got("sync", await device.POST("/v1/sync", { body }));
}

function outcomes(answer: SyncResponse): [string, string][] {
  return answer.results.map((result) => [result.id, result.status]);
}

function checkChanges(pulled: SyncResponse, sent: Entry[]): void {
  const changes = present(pulled.changes, "changes");
  const ids = sent.map((entry) => entry.id);
  assert.deepEqual(
    changes.map((change) => change.rev),
    sent.map((_, index) => index + 1),
    "revisions are gapless from 1",
  );
  assert.deepEqual(
    changes.map(({ id, kind, body }) => ({ id, kind, body })),
    sent.map(({ id, kind, body }) => ({ id, kind, body })),
    "the entries come back as they were sent, in the order of their revisions",
  );
  assert.equal(pulled.more, false, "one page holds them all");
  assert.equal(pulled.head, sent.length, "the head is the last revision");
  assert.equal(pulled.digest, digest(ids), "the digest is the one computed here");
}

function checkNight(pulled: SyncResponse, learner: string, night: string): void {
  const found = present(pulled.nights, "nights").find((each) => each.learner_id === learner && each.night === night);
  assert.equal(found?.status, "complete", `the night of ${night}`);
}

// digest is a SHA-256 over the sorted ids, each as its 16 raw bytes.
function digest(ids: string[]): string {
  const hash = createHash("sha256");
  for (const id of ids.map((each) => each.replaceAll("-", "").toLowerCase()).sort()) {
    hash.update(Buffer.from(id, "hex"));
  }
  return hash.digest("hex");
}

function yesterdayInZone(now: Date): string {
  return new Date(now.getTime() + offsetMilliseconds - 24 * 3_600_000).toISOString().slice(0, 10);
}

function got<T>(what: string, answer: { data?: T; error?: unknown; response: Response }): T {
  if (answer.data === undefined) {
    throw new Error(`${what}: ${answer.response.status} ${JSON.stringify(answer.error)}`);
  }
  return answer.data;
}

function present<T>(value: T | undefined, what: string): T {
  assert.ok(value !== undefined, `the answer holds ${what}`);
  return value;
}

function setting(name: string): string {
  const value = process.env[name];
  if (!value) {
    throw new Error(`${name} is not set`);
  }
  return value;
}

await main();
