//go:build race

package faults_test

const raced = true
