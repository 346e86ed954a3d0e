// Fetches the page again every few seconds and puts its newer text in place. Without this script the page reloads itself.
"use strict";
(() => {
  const every = 5000;
  let tag = "";
  const look = async () => {
    if (document.hidden) return;
    let lost = true;
    try {
      const reply = await fetch("./", { headers: tag ? { "If-None-Match": tag } : {}, cache: "no-store", signal: AbortSignal.timeout(every) });
      lost = !(reply.ok || reply.status === 304);
      if (reply.ok) {
        tag = reply.headers.get("ETag") || "";
        const next = new DOMParser().parseFromString(await reply.text(), "text/html");
        const fresh = next.getElementById("live");
        if (fresh) {
          const at = window.scrollY;
          document.getElementById("live").replaceWith(fresh);
          document.title = next.title;
          window.scrollTo(0, at);
        }
      }
    } catch {
      lost = true;
    }
    const notice = document.getElementById("lost");
    if (notice) notice.hidden = !lost;
  };
  setInterval(look, every);
  document.addEventListener("visibilitychange", look);
})();
