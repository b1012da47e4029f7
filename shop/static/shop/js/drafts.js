// Half-keyed figures outlive a lost connection, a log-out or an empty battery: a sheet's fields are kept in this
// browser's tab until they are sent, and stand in their fields again when the same person opens the sheet.
"use strict";

(() => {
  const keyOf = (form) => `draft:${document.body.dataset.person}:${form.dataset.draft}`;
  const kept = (form) => JSON.parse(sessionStorage.getItem(keyOf(form)) || "{}");
  const keep = (form, draft) => {
    if (Object.keys(draft).length) sessionStorage.setItem(keyOf(form), JSON.stringify(draft));
    else sessionStorage.removeItem(keyOf(form));
  };

  document.addEventListener("input", (event) => {
    const form = event.target.form;
    if (!form || !form.dataset.draft || !event.target.dataset.walk) return;
    keep(form, { ...kept(form), [event.target.name]: event.target.value });
  });

  // Sent and taken: the draft of that field is no longer needed. A refused one stays.
  document.addEventListener("htmx:afterRequest", (event) => {
    const field = event.target;
    if (!event.detail.successful || !field.form || !field.form.dataset.draft) return;
    const draft = kept(field.form);
    delete draft[field.name];
    keep(field.form, draft);
    field.removeAttribute("aria-invalid");
  });
  document.addEventListener("htmx:responseError", (event) => {
    const field = event.target;
    if (field.form && field.form.dataset.draft) field.setAttribute("aria-invalid", "true");
  });
  document.addEventListener("submit", (event) => {
    if (event.target.dataset.draft) event.target.dataset.leaving = "yes";
  });

  document.addEventListener("DOMContentLoaded", () => {
    document.querySelectorAll("form[data-draft]").forEach((form) => {
      const draft = kept(form);
      Object.entries(draft).forEach(([name, value]) => {
        const field = form.elements[name];
        if (!field || field.readOnly || field.value === value) {
          delete draft[name];
          return;
        }
        if (field.getAttribute("aria-invalid") !== "true") field.value = value;
      });
      keep(form, draft);
    });
  });
})();
