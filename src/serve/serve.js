// Parts of a page that change while they are looked at: each asks its address every two seconds and shows what it says.
"use strict";
{
  const EVERY_MS = 2000;
  const QUIET_S = 10;
  const wait = () => new Promise((wake) => setTimeout(wake, EVERY_MS));
  async function asked(address) {
    const answer = await fetch(address, { cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    return answer;
  }
  // What two looks at a store tell about its sweep.
  function growth(seen, state) {
    const now = Date.now();
    if (seen.first === undefined) Object.assign(seen, { first: state.asked, last: state.asked, grew: now });
    if (state.asked > seen.last) Object.assign(seen, { last: state.asked, grew: now });
    const quiet = Math.round((now - seen.grew) / 1000);
    if (state.asked >= state.variants) return "finished";
    if (quiet >= QUIET_S) return `nothing new for ${quiet} s`;
    return seen.last > seen.first ? `running: ${seen.last - seen.first} more since this page was opened` : "";
  }
  async function follow(part) {
    const { poll, front, ends } = part.dataset;
    const words = part.querySelector("[data-words]") || part;
    const news = part.querySelector("[data-growth]");
    const seen = {};
    let drawn = Number(part.dataset.drawn);
    for (;;) {
      await wait();
      try {
        const state = await (await asked(poll)).json();
        if (words.textContent !== state.words) words.textContent = state.words;
        if (ends && state.ended) { location.reload(); return; }
        if (news) news.textContent = growth(seen, state);
        if (front && state.asked > drawn) {
          document.getElementById("front").innerHTML = await (await asked(front)).text();
          drawn = state.asked;
        }
      } catch {
        words.textContent = "No answer from forebay; it is asked again.";
      }
    }
  }
  document.querySelectorAll("[data-poll]").forEach(follow);
}
