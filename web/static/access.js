// Who this page is to the daemon: this computer itself, or signed in by a code, which came with a link or is typed.

import { find, made } from "./dom.js";
import { later } from "./later.js";
import { ask } from "./rest.js";
import { tellFailure } from "./toast.js";

const LINK = /^#sign-in=(.*)$/;

/** Whether a fragment is that of a sign-in link. */
export const isLink = (fragment) => LINK.test(fragment);

/** The code of a sign-in link, wiped from the address and its history at once; null without one. */
export function takeCode(at = location, past = history) {
  const found = LINK.exec(at.hash);
  if (!found) return null;
  past.replaceState(null, "", at.pathname + at.search);
  return found[1];
}

export class Access {
  /** Sign in, by this code or by one that is asked for; the page waits for it. False where that could not be shown. */
  enter(code = null) {
    this.entering ??= this.#enter(code).finally(() => (this.entering = null));
    return this.entering;
  }

  /** Say whom this page is signed in as. */
  greet({ role, signed_in_as: name }) {
    const out = made("button", "Sign out");
    out.onclick = () => ask("sign-out", "POST").catch(failed);
    find("signed-in").replaceChildren(...(name ? [`Signed in as ${name}, ${role}. `, out] : []));
  }

  async #enter(code) {
    try {
      const [{ signIn }] = await later([import("./signin.js")]);
      await signIn(code);
      return true;
    } catch (error) {
      failed(error);
      return false;
    }
  }
}

const failed = (error) => tellFailure("Signing in or out did not go well", error);
