// A function of its own for one set of arrays.

/**
 * Compiles a maker anew from its text, so that what it makes belongs to one owner. V8 then takes the arrays that the maker is given as
 * constants: their addresses stand in the machine code of the loops, which take up to half as long as with arrays that could be any.
 * Worth it for loops that every frame or sample passes, one call an owner.
 *
 * @param make Must use nothing from outside but its parameters and the language's own names.
 */
export function ownCopy<Make extends (...given: never[]) => unknown>(make: Make): Make {
  return new Function(`'use strict';return (${make.toString()});`)() as Make;
}
