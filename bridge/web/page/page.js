// Keeps a page fresh from the daemon's stream of what changed, reads values off the drawings, and shows the reasons of a
// moment in place. Without it the page loads itself again, and every form works.
"use strict";
(() => {
  const byId = (id) => document.getElementById(id);

  // A card's text and parts, by the chamber's name and the keys that the stream uses.
  const card = (name) => document.querySelector(`[data-chamber="${CSS.escape(name)}"]`);

  function setText(el, text) {
    if (el.textContent === text) return;
    el.textContent = text;
    const gauge = el.closest(".gauge");
    const mark = gauge && gauge.querySelector("rect.mark");
    if (!mark) return;
    const { from, to } = mark.ownerSVGElement.dataset;
    const share = Math.min(1, Math.max(0, (parseFloat(text) - from) / (to - from)));
    if (!Number.isNaN(share)) mark.setAttribute("x", String(100 * share - 1));
  }

  // A gauge's class, and the band of its range.
  function setGauge(el, kind, text) {
    const g = el && el.closest(".gauge");
    if (!g) return;
    if (kind === "k") { g.className = `gauge ${text}`; return; }
    const band = g.querySelector("rect.band");
    const [x, width] = text.split(" ");
    if (band) { band.setAttribute("x", x); band.setAttribute("width", width); }
  }

  function apply(u) {
    let known = true;
    for (const [name, parts] of Object.entries(u.h || {})) {
      const all = document.querySelectorAll(`[data-chamber="${CSS.escape(name)}"]`);
      if (!all.length) { known = false; continue; }
      const c = all[0];
      for (const [key, html] of Object.entries(parts)) {
        const el = [...all].map((x) => x.querySelector(`[data-h="${key}"]`)).find((x) => x);
        if (!el || el.contains(document.activeElement)) continue; // nobody's focus is pulled away
        const open = el.querySelector("details[open]");
        el.innerHTML = html; // from the server's own templates; the page's policy lets no script in it run
        if (open && el.querySelector("details")) el.querySelector("details").open = true;
        if (key === "s" && c.classList.contains("card")) {
          const s = el.querySelector(".standing");
          const kinds = ["fine", "look", "act", "wait"];
          c.classList.remove(...kinds);
          if (s) c.classList.add(...kinds.filter((k) => s.classList.contains(k)));
        }
      }
    }
    for (const [name, texts] of Object.entries(u.t || {})) {
      const c = card(name);
      if (!c) { known = false; continue; }
      for (const [key, text] of Object.entries(texts)) {
        const [gauge, kind] = key.split(".");
        if (kind === "k" || kind === "b") { setGauge(c.querySelector(`[data-t="${gauge}"]`), kind, text); continue; }
        for (const el of c.querySelectorAll(`[data-t="${key}"]`)) setText(el, text);
      }
    }
    for (const el of document.querySelectorAll("[data-clock]")) if (u.c) el.textContent = u.c;
    if (u.o) known = order(u.o) && known;
    if (u.w) {
      const h = document.querySelector("[data-whole]");
      if (h && h.lastElementChild.textContent !== u.w.Words) known = false; // shape and title too: rare, so the page is asked again
    }
    if (!known) refetch();
  }

  function order(names) {
    const list = document.querySelector(".cards");
    if (!list || list.contains(document.activeElement)) return true;
    const cards = [...list.querySelectorAll(".card")];
    if (cards.length !== names.length) return false;
    for (let i = 0; i < names.length; i++) {
      if (list.children[i] && list.children[i].dataset.chamber === names[i]) continue;
      const c = card(names[i]);
      if (!c) return false;
      list.insertBefore(c, list.children[i] || null);
    }
    return true;
  }

  // refetch takes the page anew and puts what lives in it in place.
  let fetching = false;
  async function refetch() {
    if (fetching) return;
    fetching = true;
    try {
      const reply = await fetch(location.href, { cache: "no-cache", signal: AbortSignal.timeout(15000) });
      if (reply.redirected) { location.reload(); return; } // to log in
      if (!reply.ok) return;
      const next = new DOMParser().parseFromString(await reply.text(), "text/html");
      const fresh = next.getElementById("live");
      if (!fresh) return;
      byId("live").replaceWith(fresh);
      document.title = next.title;
      document.body.dataset.seq = next.body.dataset.seq;
    } catch {
      // the stream tells when the daemon is back
    } finally {
      fetching = false;
    }
  }

  // The stream. The browser opens it again by itself; what was missed meanwhile is sent, or the page is asked for anew.
  let stream = null;
  let heard = 0;
  const quiet = 40000; // the daemon gives a sign of life every 15 s
  const lost = (is) => {
    const n = byId("lost");
    if (n) n.hidden = !is;
    document.body.classList.toggle("lost", is); // what stood there as in order is not known to be so any more
  };

  function listen() {
    if (stream) stream.close();
    heard = Date.now();
    const url = new URL(document.body.dataset.live, location.href);
    url.searchParams.set("since", document.body.dataset.seq || "");
    stream = new EventSource(url);
    stream.onopen = () => { heard = Date.now(); lost(false); };
    stream.onmessage = (e) => {
      heard = Date.now();
      document.body.dataset.seq = e.lastEventId;
      apply(JSON.parse(e.data));
    };
    stream.addEventListener("beat", () => { heard = Date.now(); });
    stream.addEventListener("stale", () => { heard = Date.now(); refetch(); });
    stream.onerror = () => {
      setTimeout(() => { if (stream && stream.readyState !== EventSource.OPEN) lost(true); }, 4000);
    };
  }
  if (document.body.dataset.live) {
    listen();
    setInterval(() => {
      if (document.hidden) return;
      if (stream && stream.readyState === EventSource.CLOSED || Date.now() - heard > quiet) { lost(true); listen(); }
    }, 5000);
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) { if (stream) stream.close(); stream = null; } else listen();
    });
    addEventListener("pagehide", () => { if (stream) stream.close(); });
    addEventListener("pageshow", (e) => { if (e.persisted) listen(); });
  }

  // What is heard on a first start comes in by itself, unless somebody is just choosing.
  const again = Number(document.body.dataset.again);
  if (again) {
    setInterval(() => {
      const live = byId("live");
      const chosen = [...live.querySelectorAll("option")].some((o) => o.selected !== o.defaultSelected);
      if (!document.hidden && !chosen && !live.contains(document.activeElement)) refetch();
    }, 1000 * again);
  }

  // The daemon starts when the first start ends, on the same address: the page goes there once it answers.
  const next = byId("next");
  if (next) {
    const there = async () => {
      try {
        const reply = await fetch(new URL("readyz", next.href), { cache: "no-store", signal: AbortSignal.timeout(5000) });
        if (reply.ok) { location.replace(next.href); return; }
      } catch {
        // not yet
      }
      setTimeout(there, 1000);
    };
    there();
  }

  // Reading values off the drawings: by the slider, or by pointing at any of them.
  const plots = byId("plots");
  const probe = byId("probe");
  if (plots && probe) {
    const at = byId("probe-at");
    const says = byId("probe-says");
    const why = byId("probe-why");
    const { start, step, end, zone, turn, before, twelve } = plots.dataset;
    const drawn = [...plots.querySelectorAll("svg[data-v]")].map((svg) => ({ svg, name: svg.dataset.name, unit: svg.dataset.unit, v: svg.dataset.v.split(",") }));
    const last = Number(at.max);
    const two = (n) => String(n).padStart(2, "0");
    const moment = (i) => Math.min(Number(start) + (i + 1) * step, Number(end)); // the end of the step
    const local = (t) => new Date((t + Number(turn && t < turn ? before : zone)) * 1000); // the site's time, to be read as if it were UTC
    const cursor = (svg) => {
      let line = svg.querySelector(".cursor");
      if (!line) {
        line = document.createElementNS("http://www.w3.org/2000/svg", "path");
        line.setAttribute("class", "cursor");
        svg.append(line);
      }
      return line;
    };
    const show = () => {
      const i = Number(at.value);
      const t = local(moment(i));
      const day = `${t.getUTCFullYear()}-${two(t.getUTCMonth() + 1)}-${two(t.getUTCDate())}`;
      const h = t.getUTCHours();
      const clock = twelve ? `${h % 12 || 12}:${two(t.getUTCMinutes())} ${h < 12 ? "am" : "pm"}` : `${two(h)}:${two(t.getUTCMinutes())}`;
      const x = (1000 * (i + 0.5)) / (last + 1);
      const parts = drawn.map(({ svg, name, unit, v }) => {
        cursor(svg).setAttribute("d", `M${x} 0V200`);
        return `${name} ${v[i] ? v[i] + "\u00a0" + unit : "–"}`;
      });
      says.textContent = `${day} ${clock}: ${parts.join(", ")}`;
      const q = new URLSearchParams(location.search);
      q.set("at", new Date(moment(i) * 1000).toISOString().replace(".000", ""));
      q.delete("done");
      why.href = `?${q}#why`;
    };
    at.addEventListener("input", show);
    for (const svg of plots.querySelectorAll(".field svg")) {
      const point = (e) => {
        const r = svg.getBoundingClientRect();
        at.value = String(Math.min(last, Math.max(0, Math.floor(((e.clientX - r.left) / r.width) * (last + 1)))));
        show();
      };
      svg.addEventListener("pointermove", point);
      svg.addEventListener("pointerdown", point);
      svg.addEventListener("click", () => reasons(new URL(why.href).searchParams.get("at")));
    }
    probe.hidden = false;
    let newest = last; // the present step may hold nothing yet
    while (newest > 0 && drawn.every(({ v }) => !v[newest])) newest--;
    at.value = String(newest);
    show();
    why.addEventListener("click", (e) => { e.preventDefault(); reasons(new URL(why.href).searchParams.get("at")); });
  }

  // reasons shows why the plugs were as they were, in place: beneath the slider, and where the reasons of now stand.
  async function reasons(when) {
    const body = byId("why-body");
    const here = byId("probe-because");
    if (!body || !when) return;
    const q = new URLSearchParams({ at: when });
    try {
      const reply = await fetch(`?${q}`, { signal: AbortSignal.timeout(15000) });
      const page = new DOMParser().parseFromString(await reply.text(), "text/html");
      const fresh = page.getElementById("why-body");
      if (!fresh) throw new Error("no reasons");
      here.replaceChildren(...fresh.cloneNode(true).childNodes);
      body.replaceWith(fresh);
      byId("why-at").value = page.getElementById("why-at").value;
    } catch {
      here.textContent = "The reasons of then cannot be had now.";
    }
  }

  // What was done can be taken back for a minute; then the offer goes, and so does its address.
  const done = byId("done");
  if (done) {
    const q = new URLSearchParams(location.search);
    q.delete("done");
    setTimeout(() => {
      done.remove();
      history.replaceState(null, "", location.pathname + (q.size ? `?${q}` : ""));
    }, 60000);
  }
  // Wet fingers tap twice: a form is sent once. The daemon does an action once in any case.
  for (const form of document.querySelectorAll("form")) {
    form.addEventListener("submit", (e) => {
      if (form.dataset.sent) { e.preventDefault(); return; }
      form.dataset.sent = "yes";
      setTimeout(() => { delete form.dataset.sent; }, 3000);
    });
  }
})();
