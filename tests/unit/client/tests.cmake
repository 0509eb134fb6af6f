set(client_tests ${CMAKE_CURRENT_SOURCE_DIR}/unit/client)
unit_test(client_layout_test SOURCES ${client_tests}/layout_test.c LINKS client)
unit_test(client_plan_test SOURCES ${client_tests}/plan_test.c LINKS client)
unit_test(client_calc_test SOURCES ${client_tests}/calc_test.c ${client_tests}/run_client.c LINKS m)
unit_test(client_cli_test SOURCES ${client_tests}/cli_test.c ${client_tests}/run_client.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/fake_daemon.c LINKS control m)
target_include_directories(client_cli_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/control)
unit_test(client_history_test SOURCES ${client_tests}/history_test.c ${client_tests}/run_client.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/record/soak_journal.c LINKS record)
target_include_directories(client_history_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/record)
unit_test(client_use_test SOURCES ${client_tests}/use_test.c ${client_tests}/run_client.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/record/soak_journal.c LINKS record)
target_include_directories(client_use_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/record)
unit_test(client_json_test SOURCES ${client_tests}/json_test.c ${CMAKE_CURRENT_SOURCE_DIR}/unit/record/soak_journal.c
  LINKS record)
target_include_directories(client_json_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/record)
foreach(t client_calc_test client_cli_test client_history_test client_json_test client_use_test)
  target_link_libraries(${t} PRIVATE PkgConfig::jansson)
  target_compile_definitions(${t} PRIVATE SOAKBENCH_BINARY="$<TARGET_FILE:soakbench>")
  add_dependencies(${t} soakbench)
endforeach()
unit_test(client_replay_test SOURCES ${client_tests}/replay_test.c LINKS client)
add_test(NAME client_papers COMMAND ${client_tests}/papers.sh $<TARGET_FILE:soakbench> ${PROJECT_SOURCE_DIR})
unit_test(client_watch_test SOURCES ${client_tests}/watch_test.c ${CMAKE_CURRENT_SOURCE_DIR}/unit/control/fake_daemon.c
  LINKS client control)
target_include_directories(client_watch_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/control)
target_link_libraries(client_watch_test PRIVATE PkgConfig::jansson)
target_compile_definitions(client_watch_test PRIVATE SOAKBENCH_BINARY="$<TARGET_FILE:soakbench>")
add_dependencies(client_watch_test soakbench)
# Completion in real interactive shells.
foreach(shell bash zsh)
  add_test(NAME client_complete_${shell} COMMAND python3 ${client_tests}/complete_test.py ${shell} ${PROJECT_SOURCE_DIR} ${PROJECT_BINARY_DIR})
  set_tests_properties(client_complete_${shell} PROPERTIES SKIP_RETURN_CODE 77 TIMEOUT 200)
endforeach()
