// Opens the player on the reel that this page carries.
"use strict";

(function () {
  function bytes(id) {
    const text = atob(document.getElementById(id).textContent.replace(/\s/g, ""));
    return Uint8Array.from(text, (c) => c.charCodeAt(0));
  }
  const place = document.querySelector(".place");
  Thumbreel.open(place, new Thumbreel.BytesSource(bytes("reel-bytes")), bytes("viewer-bytes").buffer)
    .catch((error) => place.replaceChildren(Thumbreel.element("p", { class: "note bad" }, error.message)));
})();
