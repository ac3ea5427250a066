// What is fetched only when it is first needed: modules, and the style sheets without which they do not show.

const sheets = new Map();

function fetchSheet(href) {
  const link = Object.assign(document.createElement("link"), { rel: "stylesheet", href });
  return new Promise((loaded, failed) => {
    link.onload = loaded;
    link.onerror = () => {
      link.remove();
      sheets.delete(href);
      failed(new Error());
    };
    document.head.append(link);
  });
}

/** What the promises of `modules` give, with these sheets in force. Throws an Error to be said; it may be tried again. */
export async function later(modules, ...hrefs) {
  for (const href of hrefs) if (!sheets.has(href)) sheets.set(href, fetchSheet(href));
  try {
    return (await Promise.all([...modules, ...hrefs.map((href) => sheets.get(href))])).slice(0, modules.length);
  } catch (cause) {
    throw new Error("This part could not be fetched: is the daemon still running? Open it again, or reload the page.", { cause });
  }
}
