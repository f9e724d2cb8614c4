// The page works without this; with it, photos go as they are, one after the other, and answers come by themselves.
"use strict";

document.documentElement.classList.add("scripted");

const LARGEST = 64e6;

function asked(url) {
  return fetch(url, { headers: { accept: "application/json" } });
}

function setUpForm(form) {
  const sending = form.querySelector("[data-sending]");
  const words = form.querySelector("[data-sending-words]");
  const bar = form.querySelector("progress");
  const problem = form.querySelector("[data-problem]");
  const queue = [];
  let busy = false;

  function complain(text) {
    problem.textContent = text;
  }

  function put(item, done) {
    const request = new XMLHttpRequest();
    request.open("PUT", item.lie ? `${form.action}?sheet=${item.lie}` : form.action);
    request.upload.onprogress = (event) => {
      if (event.lengthComputable) bar.value = (100 * event.loaded) / event.total;
    };
    request.onload = () => done(request.status, request.responseText);
    request.onerror = () => done(0, "");
    request.send(item.file);
  }

  // What was said of the sheet is said of these photos; of the next it is asked anew.
  function taken() {
    const chosen = form.querySelector("[name=sheet]:checked");
    const lie = chosen ? chosen.value : "";
    const first = form.querySelector("[name=sheet]");
    if (first) first.checked = true;
    form.querySelector(".lies")?.removeAttribute("open");
    return lie;
  }

  function said(lie) {
    const radio = lie && form.querySelector(`[name=sheet][value=${lie}]`);
    if (radio) radio.checked = true;
  }

  function next() {
    if (busy) return;
    const item = queue.shift();
    sending.hidden = !item;
    if (!item) {
      if (!document.querySelector("[data-part]") && !problem.textContent) location.reload();
      return;
    }
    busy = true;
    bar.value = 0;
    words.textContent = queue.length ? `Sending a photo; ${queue.length} more to send` : "Sending the photo";
    put(item, (status, text) => {
      busy = false;
      if (status === 503) {
        queue.unshift(item);
        words.textContent = "Waiting for a place in the queue";
        setTimeout(next, 1500);
        return;
      }
      if (status === 0) complain("The photo did not arrive: the connection broke off. Send it again.");
      else if (status !== 201) complain(text);
      if (status !== 201) said(item.lie); // it holds for the photo that comes in its place
      next();
    });
  }

  function add(files) {
    complain("");
    let lie = files.length ? taken() : "";
    for (const file of files) {
      if (file.size > LARGEST) complain(`${file.name} is larger than the ${LARGEST / 1e6} MB that are taken.`);
      else queue.push({ file, lie });
      if (lie === "anew") lie = "left"; // the others belong with the first
    }
    next();
  }

  for (const input of form.querySelectorAll("input[type=file]")) {
    input.addEventListener("change", () => {
      add([...input.files]);
      input.value = "";
    });
  }
  form.addEventListener("submit", (event) => event.preventDefault());
  for (const kind of ["dragenter", "dragover"]) {
    form.addEventListener(kind, (event) => {
      event.preventDefault();
      form.classList.add("over");
    });
  }
  for (const kind of ["dragleave", "drop"]) {
    form.addEventListener(kind, (event) => {
      event.preventDefault();
      form.classList.remove("over");
    });
  }
  form.addEventListener("drop", (event) => add([...event.dataTransfer.files]));
}

function setUpPart(part) {
  const status = document.getElementById("settled");
  let asking = false;
  let again = false;
  let said = status.dataset.said;

  async function refresh() {
    if (asking) {
      again = true;
      return;
    }
    asking = true;
    try {
      const answer = await asked(part.dataset.part);
      if (answer.ok) {
        const found = await answer.json();
        const focused = part.contains(document.activeElement) ? document.activeElement.id : "";
        if (part.innerHTML !== found.html) part.innerHTML = found.html;
        if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
        if (found.settled && found.settled !== said) status.textContent = said = found.settled;
        document.title = document.querySelector("h1").textContent + (part.querySelector("#verdict") ? `: ${part.querySelector("#verdict").textContent}` : "");
      }
    } catch {
      // the server has ended or the network is away: the page stays as it is
    }
    asking = false;
    if (again) {
      again = false;
      refresh();
    }
  }

  listen(refresh);
}

function listen(heard) {
  let version = null;
  const events = new EventSource("/events");
  events.onmessage = (event) => {
    if (event.data !== version) heard();
    version = event.data;
  };
}

// Needles move with every picture; the rest of the live part is asked for when it changes.
function setUpLive(live) {
  let structure = null;
  let asking = false;
  let again = false;

  async function refresh() {
    if (asking) {
      again = true; // what is on its way may be older than this change
      return;
    }
    asking = true;
    do {
      again = false;
      try {
        const answer = await fetch(`${live.dataset.live}/part`);
        if (answer.ok) live.innerHTML = await answer.text();
      } catch {
        structure = null;
      }
    } while (again);
    asking = false;
  }

  const frames = new EventSource(live.dataset.live);
  frames.onmessage = async (event) => {
    const now = JSON.parse(event.data);
    if (now.structure !== structure) {
      structure = now.structure;
      await refresh();
    }
    for (const [id, text] of Object.entries(now.texts)) {
      const element = document.getElementById(id);
      if (element) element.textContent = text;
    }
    for (const [id, x] of Object.entries(now.places)) {
      document.getElementById(id)?.setAttribute("transform", `translate(${x} 0)`);
    }
  };
}

for (const form of document.querySelectorAll("[data-photos]")) setUpForm(form);
const live = document.querySelector("[data-live][data-here]");
if (live) setUpLive(live);
const part = document.querySelector("[data-part]");
if (part) setUpPart(part);
else if (document.querySelector(".queue")) {
  let first = true;
  listen(() => {
    if (!first && !document.querySelector("[data-sending]:not([hidden])")) location.reload();
    first = false;
  });
}
