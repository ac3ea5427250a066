// What is on the bench: the unit that marks go to, how warm it is, and the question whether it is still that one.

import { driftLines, placeWords, warmthWords } from "./benchwords.js";
import { find, put } from "./dom.js";
import { ask } from "./rest.js";
import { tell, tellFailure } from "./toast.js";
import { joined } from "./words.js";

export class Bench {
  constructor() {
    this.frame = this.role = null;
    const { elements } = find("bench-form");
    const cameOn = (what) => ask(`bench/${what}-on`, "PUT", { minutes_ago: 0 });
    const runs = { put: () => place(elements), unit: () => cameOn("unit"), scope: () => cameOn("scope"), next: () => this.#next(), band: () => this.#watch() };
    for (const name of ["present", "warmth"]) find(name).onclick = () => this.#open(elements);
    for (const name of ["bench-form", "watch-form", "question"]) find(name).onsubmit = ({ submitter }) => this.#do(runs[submitter.value]);
    find("bench-form").onchange = () => there(elements).catch(() => {});
  }

  /** The daemon's word. */
  take(frame) {
    this.frame = frame;
    this.#say();
  }

  /** Say how this channel drifts, where readings are live. */
  focus(role, stale) {
    if (role === this.role && stale === this.stale) return;
    Object.assign(this, { role, stale });
    this.#say();
  }

  /** It is the same unit. */
  same() {
    if (!find("question").hidden) this.#do(() => ask("bench/same-unit", "POST"));
  }

  #say() {
    if (!this.frame) return;
    const { present, warmth, question } = this.frame;
    put(find("present"), placeWords(present));
    put(find("warmth"), warmthWords(warmth, this.stale ? null : this.role));
    put(find("why-cold"), warmth.why_cold ? `${warmth.why_cold} Marks are labelled cold.` : "");
    put(find("drifts"), driftLines(warmth.drifts));
    put(find("question-text"), question?.text ?? "");
    find("question").hidden = !(question && present);
  }

  #open(elements) {
    if (!this.frame) return;
    const { job, unit, stage } = this.frame.present ?? {};
    const now = { maker: "", model: "", serial: "", ...unit, job: job?.name ?? "", stage: stage?.name ?? "as found" };
    for (const input of elements) if (input.name) input.value = now[input.name];
    find("watch-band").value = this.frame.watch.band_mv;
    find("bench").showModal();
    there(elements).catch(() => {});
  }

  // What is no number goes as it is, and the daemon says what is wrong with it.
  #watch() {
    const band = find("watch-band").value.trim().replace(",", ".");
    return ask("bench/watch", "PUT", { on: this.frame.watch.on, band_mv: Number(band) || band });
  }

  async #next() {
    const { job, unit: { maker, model } } = this.frame.present;
    const { serial } = find("question").elements;
    const added = await ask(`book/jobs/${job.id}/units`, "POST", { maker, model, serial: serial.value.trim() });
    serial.value = "";
    return added;
  }

  // One press is one request.
  async #do(run) {
    if (this.busy || !run) return;
    this.busy = true;
    try {
      const answer = await run();
      const { present = answer, watch } = answer;
      tell({ title: "On the bench", more: joined([placeWords(present), watch && `watch ±${watch.band_mv}\u00a0mV`]) });
    } catch (error) {
      tellFailure("The bench is as it was", error);
    }
    this.busy = false;
  }
}

/** What the book has of what is entered; the fields offer the rest. A unit without a serial is known by its model. */
async function there({ job: jobName, model, serial, stage: stageName }) {
  const job = offer(jobName, (await ask("book/jobs")).jobs, "name");
  const units = job ? (await ask(`book/jobs/${job.id}/units`)).units : [];
  const named = offer(serial, units, "serial");
  const unit = named?.serial ? named : units.find((one) => !one.serial && one.model === model.value.trim());
  const stage = offer(stageName, unit ? (await ask(`book/units/${unit.id}/stages`)).stages : [], "name");
  return { job, unit, stage };
}

// The one of `list` that is entered.
function offer(input, list, key) {
  input.list.replaceChildren(...list.map((one) => new Option(one[key])));
  return list.find((one) => one[key] === input.value.trim());
}

// Without a job nothing is named. What the book does not have is added to it.
async function place(elements) {
  const [jobName, maker, model, serial, name] = ["job", "maker", "model", "serial", "stage"].map((one) => elements[one].value.trim());
  if (!jobName) return ask("book/present", "PUT", { stage: null });
  const { job, unit, stage } = await there(elements);
  if (stage) return ask("book/present", "PUT", { stage: stage.id });
  if (unit) return ask(`book/units/${unit.id}/stages`, "POST", { name });
  const { id } = job ?? (await ask("book/jobs", "POST", { name: jobName }));
  return ask(`book/jobs/${id}/units`, "POST", { maker, model, serial, stage: name });
}
