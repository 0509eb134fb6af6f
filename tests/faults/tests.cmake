unit_test(faults_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/chain_faults_test.c LINKS harness)
