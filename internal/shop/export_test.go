package shop

// Refused lends the rules' check of an error to the tests of the use cases.
var Refused = refused
