// What is on the bench: the unit that marks go to, how warm it is, and the question whether it is still that one.

import { placeWords, warmthWords } from "./benchwords.js";
import { find } from "./dom.js";
import { ask } from "./rest.js";

export class Bench {
  /** `tell({title, more, kind})` shows what became of it. */
  constructor(tell) {
    this.tell = tell;
    this.present = this.frame = this.role = null;
    const { elements } = find("bench-form");
    const cameOn = (what) => ask(`bench/${what}-on`, "PUT", { minutes_ago: 0 });
    const runs = { put: () => put(elements), unit: () => cameOn("unit"), scope: () => cameOn("scope"), next: () => this.#next() };
    for (const name of ["present", "warmth"]) find(name).onclick = () => this.#open(elements);
    for (const name of ["bench-form", "question"]) find(name).onsubmit = ({ submitter }) => this.#do(runs[submitter.value]);
    find("bench-form").onchange = () => there(elements).catch(() => {});
  }

  /** Ask which unit it is; `hasBook`: whether this daemon keeps a book. */
  async greet(hasBook) {
    find("bench-line").classList.toggle("away", !hasBook);
    if (hasBook) this.present = await ask("book/present").then((answer) => answer.present, () => this.present);
    this.#say();
  }

  /** The daemon's word. A question that comes or goes may be of another unit. */
  take(frame) {
    const asked = this.frame?.question;
    this.frame = frame;
    if (!asked !== !frame.question) this.greet(true);
    this.#say();
  }

  /** Say how this channel drifts. */
  focus(role) {
    if (role === this.role) return;
    this.role = role;
    this.#say();
  }

  /** It is the same unit. */
  same() {
    if (!find("question").hidden) this.#do(() => ask("bench/same-unit", "POST"));
  }

  #say() {
    find("present").textContent = placeWords(this.present);
    if (!this.frame) return;
    const { warmth, question } = this.frame;
    find("warmth").textContent = warmthWords(warmth, this.role);
    find("why-cold").textContent = warmth.why_cold ? `${warmth.why_cold} Marks are labelled cold.` : "";
    find("question-text").textContent = question?.text;
    find("question").hidden = !(question && this.present);
  }

  #open(elements) {
    const { job, unit, stage } = this.present ?? {};
    const now = { maker: "", model: "", serial: "", ...unit, job: job?.name ?? "", stage: stage?.name ?? "as found" };
    for (const input of elements) if (input.name) input.value = now[input.name];
    find("bench").showModal();
    there(elements).catch(() => {});
  }

  async #next() {
    const { job, unit: { maker, model } } = this.present;
    const { serial } = find("question").elements;
    await ask(`book/jobs/${job.id}/units`, "POST", { maker, model, serial: serial.value.trim() });
    serial.value = "";
  }

  // One press is one request.
  async #do(run) {
    if (this.busy || !run) return;
    this.busy = true;
    try {
      await run();
      await this.greet(true);
      this.tell({ title: "On the bench", more: placeWords(this.present) });
    } catch (error) {
      this.tell({ title: "The bench is as it was", more: error.message, kind: "act" });
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
async function put(elements) {
  const [jobName, maker, model, serial, name] = ["job", "maker", "model", "serial", "stage"].map((one) => elements[one].value.trim());
  if (!jobName) return ask("book/present", "PUT", { stage: null });
  const { job, unit, stage } = await there(elements);
  if (stage) return ask("book/present", "PUT", { stage: stage.id });
  if (unit) return ask(`book/units/${unit.id}/stages`, "POST", { name });
  const { id } = job ?? (await ask("book/jobs", "POST", { name: jobName }));
  return ask(`book/jobs/${id}/units`, "POST", { maker, model, serial, stage: name });
}
