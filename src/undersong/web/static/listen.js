// A verse to be heard: begun at any note, stopped and gone on with by the space bar.
"use strict";
(async () => {
  const sound = document.querySelector("#sound");
  const score = document.querySelector("#score");
  if (!sound || !score) return;
  undersong.tell(sound);
  const answer = await fetch(score.dataset.times);
  if (!answer.ok) return;
  const { notes } = await answer.json();
  undersong.lightWith(sound, notes);

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
