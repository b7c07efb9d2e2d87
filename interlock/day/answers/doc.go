// Package answers is what can be asked over a guard's local socket and what is
// answered: status, marks, declarations and the ledger. The crew's tool and the page
// know a guard by it alone.
package answers
