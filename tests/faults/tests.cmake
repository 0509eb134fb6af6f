unit_test(faults_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/chain_faults_test.c LINKS harness)
unit_test(faults_tcp_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/tcp_faults_test.c LINKS tcp_bench)
unit_test(faults_threads_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/threads_test.c LINKS tcp_bench runtime)
set_tests_properties(faults_tcp_test faults_threads_test PROPERTIES LABELS "e2e")
# Fifty whole runs, one for each fault in each place: ten seconds of processor time.
unit_test(faults_table_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/fault_table_test.c LINKS harness)
set_tests_properties(faults_table_test PROPERTIES TIMEOUT 400)
