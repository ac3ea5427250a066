// Put into a page before its own scripts: watches its animation frames, and turns the Line view about.

const frames = new Map();
const ask = window.requestAnimationFrame.bind(window);
const begin = CanvasRenderingContext2D.prototype.setTransform;
let now = null;

window.requestAnimationFrame = (run) =>
  ask((at) => {
    const began = performance.now();
    now = frames.get(at) ?? { script: 0, drawn: false };
    frames.set(at, now);
    run(at);
    now.script += performance.now() - began;
    now = null;
  });
CanvasRenderingContext2D.prototype.setTransform = function (...given) {
  if (now && this.canvas.matches("[data-line-canvas]")) now.drawn = true;
  return begin.apply(this, given);
};

// One loop that does nothing.
function emptyLoop() {
  const turn = () => requestAnimationFrame(turn);
  turn();
}

// In and out by the wheel, at a place that wanders, and sideways: somewhere in the line always moves.
function turnAbout() {
  const canvas = document.querySelector("[data-line-canvas]");
  const { left, top, width } = canvas.getBoundingClientRect();
  let step = 0;
  setInterval(() => {
    step += 1;
    const place = { clientX: left + width * (0.5 + 0.3 * Math.sin(step / 40)), clientY: top + 80, bubbles: true, cancelable: true };
    const turn = step % 3 ? { deltaY: step % 120 < 60 ? -60 : 60 } : { deltaX: step % 60 < 30 ? 50 : -50 };
    canvas.dispatchEvent(new WheelEvent("wheel", { ...place, ...turn }));
  }, 16);
}

async function watchFrames(lastsMs, act) {
  act();
  await new Promise((done) => setTimeout(done, 1000));
  frames.clear();
  const began = performance.now();
  await new Promise((done) => setTimeout(done, lastsMs));
  const took = performance.now() - began;
  const at = [...frames.keys()];
  const kept = [...frames.values()];
  return {
    took_s: took / 1000,
    drawn: kept.filter((one) => one.drawn).length,
    intervals_ms: at.slice(1).map((one, n) => one - at[n]),
    script_ms: kept.map((one) => one.script),
  };
}

Object.assign(window, { emptyLoop, turnAbout, watchFrames });
