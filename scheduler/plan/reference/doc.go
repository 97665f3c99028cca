// Package reference holds plans against an independent solver with proofs: Chuffed, of the npm package minizinc, under node. It is for
// developers only and no part of the programs:
//
//	npm ci --prefix scheduler/plan/reference && go test -tags reference ./scheduler/plan/reference -v
package reference
