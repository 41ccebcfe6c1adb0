// Notes lit as they sound. The times come from the performance that was made into sound; there is no other clock.
"use strict";
(async () => {
  const sound = document.querySelector("#sound");
  const score = document.querySelector("#score");
  if (!sound || !score) return;
  const answer = await fetch(score.dataset.times);
  if (!answer.ok) return;
  const { notes } = await answer.json();

  // what sounds from each moment on, made once; each frame is then one search
  const timeline = (rows) => {
    const events = [];
    for (const [id, on, off] of rows) events.push([on, 1, id], [off, 0, id]);
    events.sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    const held = new Map();
    const times = [], sounding = [];
    for (const [at, begins, id] of events) {
      const count = (held.get(id) ?? 0) + (begins ? 1 : -1);
      if (count > 0) held.set(id, count); else held.delete(id);
      if (times.length && times.at(-1) === at) sounding[sounding.length - 1] = [...held.keys()];
      else { times.push(at); sounding.push([...held.keys()]); }
    }
    return (seconds) => {
      let low = 0, high = times.length;
      while (low < high) { const mid = (low + high) >> 1; if (times[mid] <= seconds) low = mid + 1; else high = mid; }
      return low ? sounding[low - 1] : [];
    };
  };
  const at = timeline(notes);
  let lit = [];
  const light = () => {
    const now = at(sound.currentTime);
    if (now !== lit) {
      for (const id of lit) if (!now.includes(id)) document.getElementById(id)?.classList.remove("sounding");
      for (const id of now) if (!lit.includes(id)) document.getElementById(id)?.classList.add("sounding");
      lit = now;
    }
  };
  const follow = () => { light(); if (!sound.paused) requestAnimationFrame(follow); };
  sound.addEventListener("play", follow);
  for (const name of ["pause", "seeked", "timeupdate", "ended"]) sound.addEventListener(name, light);

  const begin = (id) => {
    const first = notes.filter((row) => row[0] === id).map((row) => row[1]);
    if (!first.length) return;
    sound.currentTime = Math.max(0, Math.min(...first) + 0.001);
    sound.play().catch(() => {});
  };
  score.addEventListener("undersong:begin", (event) => begin(event.target.dataset.begins));
  score.addEventListener("click", (event) => {
    let note = event.target.closest("g.note");
    if (!note) { // beside a note: the nearest one
      const near = [...score.querySelectorAll("g.note")].map((one) => [one, one.querySelector(".notehead")?.getBoundingClientRect()]);
      const away = ([, box]) => (box ? Math.hypot(box.x + box.width / 2 - event.clientX, box.y + box.height / 2 - event.clientY) : 1e9);
      const best = near.sort((a, b) => away(a) - away(b))[0];
      if (best && away(best) < 40) note = best[0];
    }
    if (note) begin(note.id);
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === " " && !event.target.closest("input, select, button, audio, a")) {
      if (sound.paused) sound.play().catch(() => {}); else sound.pause();
      event.preventDefault();
    }
  });
})();
