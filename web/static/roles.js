// The roles of a hookup that this page knows.

/** Roles that have a peak white, in the order of the page. */
export const WHITE_ROLES = ["red", "green", "blue", "luma", "composite"];

/** Roles that are matched with each other. */
export const COLOURS = ["red", "green", "blue"];
