// Exchanges the live part when the server says that something changed; says so when it cannot be heard.
"use strict";
const now = document.getElementById("now");
const cut = document.getElementById("cut");
let heard = Date.now();

async function refresh() {
  const answer = await fetch("/now");
  if (answer.ok) { now.innerHTML = await answer.text(); }
}

const source = new EventSource("/events");
source.onmessage = () => { heard = Date.now(); cut.hidden = true; refresh().catch(() => { cut.hidden = false; }); };
// The server says something at least every ten seconds.
setInterval(() => { cut.hidden = Date.now() - heard < 25000; }, 1000);
