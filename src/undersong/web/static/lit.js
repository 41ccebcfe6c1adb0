// Notes and chords lit as they sound. The times come from the performance that was made into sound; there is no other clock.
"use strict";
(() => {
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
  window.undersong = {
    // light what sounds; the answer puts everything out
    lightWith(sound, rows) {
      const at = timeline(rows);
      let lit = [], dark = false;
      const show = (now) => {
        if (now === lit) return;
        for (const id of lit) if (!now.includes(id)) document.getElementById(id)?.classList.remove("sounding");
        for (const id of now) if (!lit.includes(id)) document.getElementById(id)?.classList.add("sounding");
        lit = now;
      };
      const light = () => show(dark ? [] : at(sound.currentTime));
      const follow = () => { light(); if (!dark && !sound.paused) requestAnimationFrame(follow); };
      sound.addEventListener("play", follow);
      const moments = ["pause", "seeked", "timeupdate", "ended"];
      for (const name of moments) sound.addEventListener(name, light);
      return () => {
        sound.removeEventListener("play", follow);
        for (const name of moments) sound.removeEventListener(name, light);
        dark = true;
        light();
      };
    },
    // a sound that breaks off is told
    tell(sound) {
      sound.addEventListener("error", () => {
        document.querySelector("#notice").textContent = "The sound broke off. Load the page again to have it made anew.";
      });
    },
  };
})();
