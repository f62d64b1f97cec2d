"use strict";
/* Keys go to the server, and what it shows goes into the address, so that back and links work. */
(() => {
  const KEYS = new Set(["ArrowLeft", "ArrowRight", "PageUp", "PageDown", ..."barcsomtjk"]);
  let count = 0;

  function begin(page) {
    const address = page.get_model_by_name("address"), typed = page.get_model_by_name("typed");
    const type = (text) => { typed.value = `${text} ${++count}`; };
    const place = () => location.search.slice(1);
    const shown = () => {
      document.body.dataset.shown = address.value;
      if (address.value !== place()) {
        const act = document.body.dataset.ready ? "pushState" : "replaceState";
        history[act](null, "", `?${address.value}`);
        window.scrollTo({top: 0});
      }
      document.body.dataset.ready = "yes";
    };
    address.properties.value.change.connect(shown);
    shown();
    /* A row of the findings leads to a gather that may be above the screen. */
    document.addEventListener("click", (event) => {
      const onRow = event.composedPath().some((part) => part.classList?.contains("slick-cell"));
      if (onRow) window.scrollTo({top: 0});
    });
    window.addEventListener("popstate", () => type(`go ${place()}`));
    document.addEventListener("keydown", (event) => {
      const path = event.composedPath();
      const inField = path.some((part) => ["INPUT", "SELECT", "TEXTAREA"].includes(part.tagName));
      if (inField || event.ctrlKey || event.metaKey || event.altKey) return;
      const key = event.key === " " ? "space" : KEYS.has(event.key) ? event.key : null;
      if (key === null) return;
      event.preventDefault();
      type(key);
    });
  }

  const wait = setInterval(() => {
    const page = window.Bokeh && Bokeh.documents[0];
    if (!page || !page.get_model_by_name("address")) return;
    clearInterval(wait);
    begin(page);
  }, 30);
})();
