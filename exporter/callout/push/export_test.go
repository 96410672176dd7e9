package push

// Shorten is what cuts a text.
var Shorten = shorten
