// Small helps for the page: steps from chord to chord, the entry of a chord, files dropped, focus kept after a change.
"use strict";
(() => {
  const one = (selector, within = document) => within.querySelector(selector);
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  let wanted = null; // where the eye was before a piece of the page was exchanged

  // --- the music: one place at a time is in the order of the Tab key, the arrows go on from it
  const places = () => {
    const score = one("#score");
    if (!score) return [];
    return all(score.dataset.steps === "notes" ? "g.note.touch" : "g.chord-symbol", score);
  };
  const goTo = (place) => {
    all(".system .touch.chosen").forEach((other) => other.classList.remove("chosen"));
    place.classList.add("chosen");
    place.focus();
    place.scrollIntoView({ block: "nearest", behavior: "instant" });
  };
  const step = (from, by) => {
    const list = places();
    const at = list.indexOf(from);
    const next = list[at < 0 ? 0 : Math.min(list.length - 1, Math.max(0, at + by))];
    if (next) goTo(next);
  };
  const rowStep = (from, by) => {
    const here = from.getBoundingClientRect();
    const system = from.closest("svg.system");
    const systems = all("#score svg.system");
    const next = systems[systems.indexOf(system) + by];
    if (!next) return;
    const there = places().filter((place) => next.contains(place));
    there.sort((a, b) => Math.abs(a.getBoundingClientRect().x - here.x) - Math.abs(b.getBoundingClientRect().x - here.x));
    if (there.length) goTo(there[0]);
  };

  // --- a chord to be changed
  const openChord = (place) => {
    const entry = one("#chord-entry");
    if (!entry) return;
    const facts = place.dataset;
    for (const name of ["bar", "beat", "place"]) entry.elements[name].value = facts[name];
    entry.elements.chord.value = facts.chord;
    const unsure = facts.told.endsWith("doubtful") ? "; kept as it is, it is confirmed" : "";
    one("#chord-told").textContent = `${facts.place}: ${facts.chord || "no chord"}, ${facts.told}${unsure}`;
    one("#chord-back").hidden = !facts.hers;
    entry.dataset.at = place.id;
    entry.hidden = false;
    stopHearing();
    goTo(place);
    entry.elements.chord.focus();
    entry.elements.chord.select();
  };
  const leaveEntry = () => {
    const entry = one(".entry:not([hidden])");
    if (!entry) return;
    stopHearing();
    entry.hidden = true;
    one(`#${CSS.escape(entry.dataset.at)}`)?.focus();
  };
  let heard = null, dark = () => {};
  const stopHearing = () => { heard?.pause(); dark(); };
  const hear = async (where) => {
    const { bar, beat, chord } = one("#chord-entry").elements;
    const now = one(`#${CSS.escape(one("#chord-entry").dataset.at)}`)?.dataset.chord ?? "";
    const asked = new URLSearchParams({ bar: bar.value, beat: beat.value, chord: chord.value, now });
    stopHearing();
    const answer = await fetch(`${where}?${asked}`, { headers: { "HX-Request": "true" } });
    if (!answer.ok) {
      one("#notice").innerHTML = await answer.text(); // our own sentence, escaped where it was made
      return;
    }
    one("#notice").replaceChildren();
    const { sound } = await answer.json();
    const { notes } = await (await fetch(`${sound}/times`)).json();
    heard = new Audio(sound);
    undersong.tell(heard);
    dark = undersong.lightWith(heard, notes);
    heard.play().catch(() => {});
  };
  const changeNote = (place, what) => {
    const entry = one("#line-entry");
    entry.elements.at.value = place.dataset.at;
    wanted = place.id;
    one(`button[value=${what}]`, entry).click();
  };
  const openNote = (place) => { // with a finger there is neither Enter nor B
    const entry = one("#line-entry");
    if (!entry || !place.dataset.at) return;
    entry.dataset.at = place.id;
    entry.elements.at.value = place.dataset.at;
    one("#line-told").textContent = place.getAttribute("aria-label");
    one("button[value=line]", entry).textContent = place.dataset.line ? "No line begins here" : "A line begins here";
    one("button[value=breath]", entry).textContent = place.dataset.breath ? "No breath before it" : "A breath before it";
    entry.hidden = false;
  };
  const open = (place) => {
    if (place.dataset.begins) place.dispatchEvent(new CustomEvent("undersong:begin", { bubbles: true }));
    else if (place.classList.contains("note")) changeNote(place, "line");
    else openChord(place);
  };

  document.addEventListener("click", (event) => {
    const place = event.target.closest?.(".system .touch");
    if (place) {
      if (place.classList.contains("note")) {
        goTo(place);
        openNote(place);
      } else openChord(place);
    } else if (event.target.closest("[data-leave]")) leaveEntry();
    else if (event.target.closest("[data-hear]")) hear(event.target.closest("[data-hear]").dataset.hear);
    else if (event.target.closest("[data-print]")) printWhole();
    else if (event.target.closest("[data-dismiss]")) one("#notice").replaceChildren();
  });
  document.addEventListener("dblclick", (event) => {
    const place = event.target.closest?.(".system .note.touch");
    if (place) open(place);
  });

  document.addEventListener("keydown", (event) => {
    const place = event.target.closest?.(".system .touch") ?? null;
    const writing = event.target.closest?.("input, select, textarea");
    if (event.target.id === "score" && ["ArrowRight", "ArrowDown", "Enter"].includes(event.key)) {
      step(null, 0);
      event.preventDefault();
    } else if (place) {
      const moves = { ArrowRight: () => step(place, 1), ArrowLeft: () => step(place, -1), ArrowDown: () => rowStep(place, 1),
        ArrowUp: () => rowStep(place, -1), Home: () => goTo(places()[0]), End: () => goTo(places().at(-1)),
        Enter: () => open(place) };
      if (!place.dataset.begins) moves[" "] = moves.Enter;
      if (place.dataset.at) moves.b = moves.B = () => changeNote(place, "breath");
      if (moves[event.key] && !event.ctrlKey && !event.altKey && !event.metaKey) {
        moves[event.key]();
        event.preventDefault();
      }
    } else if (event.key === "Escape" && event.target.closest?.(".entry")) leaveEntry();
    if (!writing && (event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      one(event.shiftKey ? "#redo" : "#undo")?.click();
      event.preventDefault();
    }
  });

  // --- typing a hymn: a slip leads to its place; a keyboard with keys types letters
  document.addEventListener("click", (event) => {
    const slip = event.target.closest?.("[data-field]");
    if (!slip) return;
    const field = one("#entry").elements[slip.dataset.field];
    field.focus();
    field.setSelectionRange(Number(slip.dataset.at), Number(slip.dataset.at) + 1);
  });
  const entry = one("#entry");
  if (entry) {
    // the lines above it grow: the field one types in stays under the eye, and the next one under the finger
    document.documentElement.style.overflowAnchor = "none"; // the browser's own way begins only below the top
    let place = null;
    document.addEventListener("htmx:beforeSwap", () => {
      const field = document.activeElement;
      place = entry.contains(field) ? { field, top: field.getBoundingClientRect().top } : null;
    });
    document.addEventListener("htmx:afterSwap", () => {
      if (place) window.scrollBy({ top: place.field.getBoundingClientRect().top - place.top, behavior: "instant" });
    });
    let queue = Promise.resolve();
    const press = (number) => {
      const field = document.activeElement;
      if (!field?.dataset?.voice) return;
      queue = queue.then(async () => {
        const told = new URLSearchParams(new FormData(entry));
        told.set("voice", field.dataset.voice);
        told.set("number", number);
        const answer = await fetch(`/enter/${entry.dataset.draft}/key`, { method: "POST", body: told });
        if (!answer.ok) return;
        field.setRangeText(`${await answer.text()} `, field.selectionStart, field.selectionEnd, "end");
        field.dispatchEvent(new Event("input", { bubbles: true }));
      });
    };
    const listen = (access) => {
      const said = one("#keyboard");
      const names = [...access.inputs.values()].map((input) => input.name);
      said.hidden = !names.length;
      said.textContent = `Keys of ${names.join(", ")} type their letters into the voice you are in, step by step.`;
      for (const input of access.inputs.values()) {
        input.onmidimessage = (message) => {
          const [status, number, strength] = message.data;
          if ((status & 0xf0) === 0x90 && strength) press(number);
        };
      }
      access.onstatechange = () => listen(access);
    };
    if (navigator.requestMIDIAccess) navigator.requestMIDIAccess().then(listen, () => {});
  }

  // --- the page on paper: not before every verse is there
  let toPrint = false;
  const waitingFor = () => all("section.waiting").length;
  const printWhole = () => {
    toPrint = waitingFor() > 0;
    if (toPrint) one("#notice").textContent = "Some verses are still being laid out; the page is printed when all are there.";
    else window.print();
  };
  document.addEventListener("htmx:afterSettle", () => {
    if (!toPrint || waitingFor()) return;
    toPrint = false;
    one("#notice").replaceChildren();
    window.print();
  });

  // --- what each texture is stands beside its name while one chooses
  document.addEventListener("focusin", (event) => {
    for (const choice of all("option[data-words]", event.target)) choice.label = `${choice.text}: ${choice.dataset.words}`;
  });
  document.addEventListener("focusout", (event) => {
    for (const choice of all("option[data-words]", event.target)) choice.removeAttribute("label");
  });

  // --- forms that are sent as soon as something is chosen
  document.addEventListener("change", (event) => {
    const form = event.target.closest("form[data-submits]");
    if (form?.checkValidity()) form.requestSubmit();
  });

  // --- files dropped on the page
  const bring = one("#bring");
  if (bring) {
    const files = one("#files", bring);
    window.addEventListener("pageshow", () => bring.reset()); // come back to: the same file can be chosen again
    document.addEventListener("dragover", (event) => { event.preventDefault(); bring.classList.add("over"); });
    document.addEventListener("dragleave", () => bring.classList.remove("over"));
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      bring.classList.remove("over");
      if (event.dataTransfer.files.length) {
        files.files = event.dataTransfer.files;
        bring.requestSubmit();
      }
    });
  }
  const find = one("#find");
  if (find) {
    find.addEventListener("keydown", (event) => { if (event.key === "Enter") event.preventDefault(); });
    find.addEventListener("input", () => {
      const words = find.value.toLowerCase();
      for (const row of all("#tunes li")) row.hidden = !row.textContent.toLowerCase().includes(words);
    });
  }

  // --- work that shows how far it is: what was begun on this page is fetched when it is there, once
  const begun = new Map();
  document.addEventListener("htmx:beforeRequest", (event) => {
    if (event.target.matches("form.take")) begun.set(event.detail.target.id, event.target);
  });
  document.addEventListener("htmx:afterSettle", (event) => {
    const made = event.target.closest(".made");
    if (!made) return;
    const ended = !one(".job", made), form = ended && begun.get(made.id);
    if (ended) begun.delete(made.id);
    if (form) {
      one("a[download]", made)?.click();
      made.scrollIntoView({ block: "nearest", behavior: "instant" });
    }
    // what was pressed is gone, or was pressed for this: its result is next
    if (document.activeElement === document.body || form?.contains?.(document.activeElement)) one("a, button", made)?.focus();
  });

  // --- pieces of the page exchanged: the focus stays where it was
  document.addEventListener("htmx:beforeRequest", (event) => {
    if (event.target.matches(".entry")) {
      wanted = event.target.dataset.at;
      stopHearing();
    }
    if (!event.target.closest(".waiting, .job, .told[hx-get]")) one("#notice").replaceChildren();
  });
  let following = []; // where the focus is on the sheet, and what comes after it, should that be gone
  document.addEventListener("htmx:beforeSwap", () => {
    const stops = [...document.querySelectorAll("#sheet :is(select, input, button)")];
    const now = stops.indexOf(document.activeElement);
    following = now < 0 ? [] : stops.slice(now).map((stop) => stop.id);
  });
  document.addEventListener("htmx:afterSettle", () => {
    if (document.activeElement === document.body) following.map((id) => id && document.getElementById(id)).find(Boolean)?.focus();
    following = [];
  });
  document.addEventListener("htmx:afterSettle", () => {
    if (!wanted || one("#notice")?.childElementCount) return;
    const place = document.getElementById(wanted);
    wanted = null;
    if (place) goTo(place);
  });
  document.addEventListener("htmx:sendError", () => {
    toPrint = false;
    one("#notice").textContent = "Undersong does not answer; it may have been closed. What was kept is kept. Start it again and load this page anew.";
  });
})();
