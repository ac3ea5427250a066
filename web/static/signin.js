// The sign-in view. It is fetched where nobody is signed in; the code goes to the daemon once, and is kept nowhere.

import { assign, made, put } from "./dom.js";
import { ask } from "./rest.js";
import { capital } from "./words.js";

const FROM_LINK = /^.*#sign-in=/;

/** The code in what was typed or pasted, be it the whole link. */
export const codeIn = (text) => text.trim().replace(FROM_LINK, "");

/** Resolves once signed in: by this code or, where there is none or it does not do, by one that is asked for. */
export async function signIn(code) {
  const wrong = code && (await refusalOf(code));
  if (code && !wrong) return;
  await asked(wrong);
}

/** What is wrong with a code, null where it signed the page in. */
async function refusalOf(secret) {
  try {
    await ask("sign-in", "POST", { secret });
    return null;
  } catch (error) {
    return `${capital(error.message)}.`;
  }
}

function asked(wrong) {
  const field = assign(made("input"), { name: "code", autocomplete: "off", autocapitalize: "none", spellcheck: "false", required: "", autofocus: "" });
  const said = assign(made("p", wrong ?? ""), { role: "status" });
  const words = "This bench shows its levels to those who have signed in. Open your sign-in link or scan its QR code, or enter the code. They come from “peakwhite access new” on the bench computer.";
  const form = assign(made("form", made("p", words), made("label", "Code ", field), said, assign(made("button", "Sign in"), { class: "strong" })), { class: "bench-form" });
  const title = assign(made("h2", "Sign in"), { id: "sign-in-title" });
  const sheet = assign(made("dialog", title, form), { class: "sheet", "data-sign-in": "", "aria-labelledby": "sign-in-title" });
  document.body.append(sheet);
  sheet.showModal();
  return new Promise((signedIn) => {
    let done = false;
    sheet.onclose = () => done || sheet.showModal(); // Escape leads nowhere
    form.onsubmit = async (event) => {
      event.preventDefault();
      const refusal = await refusalOf(codeIn(field.value));
      put(said, refusal ?? "");
      if (refusal) return;
      done = true;
      field.value = "";
      sheet.close();
      sheet.remove();
      signedIn();
    };
  });
}
