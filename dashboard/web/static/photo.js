// Photographs: from the phone's camera, or a file, into the worksheet.
"use strict";

let photographed = ""; // the step that the picture is of; "" is what is being done

// photoButton takes a picture of a step.
function photoButton(step, title) {
  const b = document.createElement("button");
  b.type = "button";
  b.textContent = "Photograph";
  b.setAttribute("aria-label", "Photograph of " + title);
  b.addEventListener("click", () => takePhoto(step));
  return b;
}

function takePhoto(step) {
  photographed = step;
  at("camera").value = ""; // the same file again is a new picture
  at("camera").click();
}

at("photo").addEventListener("click", () => takePhoto(""));
at("camera").addEventListener("change", async () => {
  const picture = at("camera").files[0];
  const name = at("by") ? at("by").value.trim() : "";
  if (!picture) return;
  if (at("by") && !name) {
    at("refused").textContent = "Who took it? Fill in your name at the top first, then take it again.";
    return;
  }
  at("photo").disabled = true;
  at("kept").textContent = "The photograph is on its way.";
  at("refused").textContent = "";
  try {
    const r = await fetch("/photograph?" + new URLSearchParams({ step: photographed, by: name }), { method: "POST", headers: { "Content-Type": picture.type || "application/octet-stream" }, body: picture });
    at("kept").textContent = r.ok ? "The photograph is kept, and will be in the report." : "";
    if (!r.ok) at("refused").textContent = await r.text();
  } catch {
    at("kept").textContent = "";
    at("refused").textContent = "The photograph did not get through. Send it again when the line is back.";
  }
  at("photo").disabled = false;
});
