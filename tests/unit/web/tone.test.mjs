import assert from "node:assert/strict";
import { test } from "node:test";
import { page, shown } from "./page.mjs";

const { Cadence, soundOf } = await page("tone.js");
const LOCKED = { sync: { state: "locked" } };
const sound = (more, conditions = LOCKED, fresh = true) => soundOf(shown(more), conditions, fresh);

/** All notes of ten seconds, asked for every 50 ms and 100 ms ahead. */
function played(sound, { from = 0, until = 10, cadence = new Cadence() } = {}) {
  const notes = [];
  for (let now = from; now < until; now += 0.05) notes.push(...cadence.due(sound, now, now + 0.1));
  return notes;
}

test("the sound says on which side of the aim the level lies", () => {
  assert.equal(sound({ peak_white_mv: 715, verdict: "over" }), "over");
  assert.equal(sound({ peak_white_mv: 675 }), "under");
  assert.equal(sound({ peak_white_mv: 694 }), "on-aim");
  assert.equal(sound({ peak_white_mv: 697, verdict: "unsure", p_over: 0.07 }), "over");
  assert.equal(sound({ peak_white_mv: 692, u95_repeat_mv: 4 }), "on-aim");
});

test("while the words say to look at something first, it is the sound of a loss, on aim or off", () => {
  for (const mv of [695, 750, 610]) {
    assert.equal(sound({ peak_white_mv: mv, hints: [{ code: "fifty-ohm-load" }] }), "lost");
    assert.equal(sound({ peak_white_mv: mv }, { ...LOCKED, hints: [{ code: "termination-missing" }] }), "lost");
    assert.equal(sound({ peak_white_mv: mv, decidable: false, verdict: "unsure" }), "lost");
    assert.equal(sound({ peak_white_mv: mv }, { sync: { state: "blanking-only" } }), "lost");
  }
});

test("without a fresh level, or without an aim, it is the sound of a loss and never silence", () => {
  assert.equal(sound({}, LOCKED, false), "lost");
  assert.equal(sound({ aim_mv: null }), "lost");
  assert.equal(sound({ clipped: true }, LOCKED, false), "lost");
  assert.equal(soundOf(undefined, LOCKED, false), "lost");
});

test("a clipped level is over, wherever its number stands", () => {
  assert.equal(sound({ clipped: true, peak_white_mv: 645, decidable: false, verdict: "unsure" }), "over");
});

test("over is quick and high, under slow and low", () => {
  const over = played("over");
  const under = played("under");
  assert.ok(over.length > 3 * under.length);
  assert.ok(Math.min(...over.map((note) => note.hz)) > 3 * Math.max(...under.map((note) => note.hz)));
});

test("on the aim it is one soft tick a second", () => {
  const ticks = played("on-aim");
  assert.equal(ticks.length, 11);
  ticks.forEach((tick, n) => assert.ok(Math.abs(tick.at - n) < 1e-9));
  assert.ok(ticks[0].loud < 0.5 * played("over")[0].loud + 0.01);
  assert.ok(ticks[0].lasts < 0.03);
});

test("a loss is three falling notes, again and again", () => {
  const notes = played("lost", { until: 4 });
  assert.equal(notes.length % 3, 0);
  assert.ok(notes.length >= 6);
  assert.ok(notes[0].hz > notes[1].hz && notes[1].hz > notes[2].hz);
});

test("no note is given twice and none overlaps another, though the sound changes in between", () => {
  const cadence = new Cadence();
  const notes = [];
  const sounds = ["over", "under", "on-aim", "lost", "over", "on-aim"];
  for (let n = 0; n < 400; n += 1) notes.push(...cadence.due(sounds[Math.floor(n / 9) % sounds.length], n * 0.05, n * 0.05 + 0.1));
  for (let n = 1; n < notes.length; n += 1) assert.ok(notes[n].at >= notes[n - 1].at + notes[n - 1].lasts - 1e-9);
});

test("a change of sound is heard within three tenths of a second", () => {
  for (const before of ["under", "on-aim"]) {
    const cadence = new Cadence();
    played(before, { until: 3, cadence });
    const [first] = played("over", { from: 3, until: 4, cadence });
    assert.ok(first.at - 3 < 0.3, `${before}: ${first.at}`);
  }
});

test("after a pause, as of a hidden page, nothing that was missed is made up for", () => {
  const cadence = new Cadence();
  played("over", { until: 1, cadence });
  const notes = cadence.due("over", 60, 60.13);
  assert.equal(notes.length, 1);
  assert.ok(notes[0].at >= 60);
});

test("silence is at no time longer than two seconds", () => {
  for (const sound of ["over", "under", "on-aim", "lost"]) {
    const notes = played(sound);
    let heardAt = 0;
    for (const note of notes) {
      assert.ok(note.at - heardAt <= 2, sound);
      heardAt = note.at + note.lasts;
    }
    assert.ok(10 - heardAt < 2, sound);
  }
});
