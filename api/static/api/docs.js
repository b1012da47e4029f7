"use strict";

// Shows the document that this service serves, with files of this service only.
document.addEventListener("DOMContentLoaded", () => {
  const place = document.getElementById("docs");
  window.SwaggerUIBundle({
    url: place.dataset.document,
    domNode: place,
    deepLinking: true,
    docExpansion: "none",
    defaultModelsExpandDepth: 0,
    // No badge that would ask another service whether the document is valid.
    validatorUrl: null,
    // Trying a call out needs a key; the page's own session would need its CSRF token.
    withCredentials: false,
  });
});
